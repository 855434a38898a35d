"""Completion: what each word completes to, and the three shells as a person types in them (heavy)."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete
from support.external import require_external
from support.terminal import Terminal, has_tmux, terminal

from simulator.cli.app import COMMANDS, cli, run
from simulator.cli.commands.guide import TOPICS
from simulator.storage.bundled import bundled_profile_ids


def completed(*words: str) -> list[tuple[str, str]]:
    """Type and value of every completion of the last word."""
    found = ShellComplete(cli, {}, "fairhearing", "_X").get_completions([*words[:-1]], words[-1])
    return [(one.type, one.value) for one in found]


def plain(*words: str) -> list[str]:
    found = completed(*words)
    assert {kind for kind, _ in found} <= {"plain"}
    return [value for _, value in found]


@pytest.mark.parametrize("words", [
    ("measure", ""), ("predict", "a.wav", "b"), ("compare", "a.wav", "b"), ("ladder", "m"),
    ("listen", "x"), ("page", "s"), ("check", "m"), ("render", "m"), ("votes", "v"), ("profiles", "new", "m"),
    ("page", "song.toml", "-o", "s"), ("check", "--decision", "s"), ("votes", "--record", "s"),
    ("compare", "song.toml", "--figure", "p"), ("predict", "--profile", "./my"), ("profiles", "show", "./my"),
    ("listen", "song.toml", "--to-file", "x"),
])  # fmt: skip
def test_files_complete_as_the_shell_does_it(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert completed(*words) == [("file", words[-1])]


def test_folders_complete_where_a_folder_is_asked_for() -> None:
    assert completed("render", "song.toml", "--out", "a") == [("dir", "a")]


def test_the_word_demo_completes_where_no_file_begins_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert plain("predict", "de") == ["demo"]
    (tmp_path / "demo of may.wav").touch()
    assert completed("predict", "de") == [("file", "de")]


@pytest.mark.parametrize(
    "words",
    [("predict", "--profile"), ("check", "m.wav", "--for"), ("listen", "song.toml", "--profile")],
    ids=" ".join,
)
def test_profiles_complete_after_a_comma_too(words: tuple[str, ...]) -> None:
    every = bundled_profile_ids()
    assert plain(*words, "") == ["all", *every]
    assert plain(*words, "minus14-h") == ["minus14-headroom"]
    assert plain(*words, "r128,minus14-h") == ["r128,minus14-headroom"]
    assert plain(*words, "r128,unt") == ["r128,untouched"]
    assert plain(*words, "r128,") == [f"r128,{name}" for name in every if name != "r128"]


@pytest.mark.parametrize(
    "words", [("profiles", "show"), ("profiles", "new", "x.toml", "--from")], ids=" ".join
)
def test_one_profile_completes(words: tuple[str, ...]) -> None:
    assert plain(*words, "") == bundled_profile_ids()
    assert plain(*words, "a8") == ["a85"]


def test_topics_commands_shells_and_options_complete_with_descriptions() -> None:
    assert plain("guide", "") == list(TOPICS)
    assert plain("") == list(COMMANDS)
    assert plain("completion", "") == ["bash", "zsh", "fish"]
    assert "--version" in plain("--v")
    asked = [([], ""), (["guide"], ""), (["profiles", "show"], ""), (["predict"], "--")]
    for words, incomplete in asked:
        found = ShellComplete(cli, {}, "fairhearing", "_X").get_completions(words, incomplete)
        assert all(one.help for one in found), words


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_is_printed(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["completion", shell]) == 0
    assert f"_FAIRHEARING_COMPLETE={shell}_complete" in capsys.readouterr().out


START = {
    "bash": (
        ["bash", "--norc", "--noprofile", "-i"],
        'eval "$(fairhearing completion bash)"',
        "PS1='ready> '",
    ),
    "zsh": (
        ["zsh", "-f", "-i"],
        'autoload -Uz compinit; compinit -u -D; eval "$(fairhearing completion zsh)"',
        "PS1='ready> '",
    ),
    "fish": (
        ["fish", "--no-config", "-i"],
        "fairhearing completion fish | source",
        "function fish_prompt; echo -n 'ready> '; end",
    ),
}


@pytest.fixture(params=START)
def shell(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Terminal]:
    """The shell in a folder with a song and an album, its completion loaded as the handbook says."""
    command, load, prompt = START[request.param]
    if not has_tmux() or shutil.which(command[0]) is None:
        require_external(f"{command[0]} or tmux is not installed (Debian: tmux zsh fish)")
    (tmp_path / "song one.wav").touch()
    (tmp_path / "album").mkdir()
    (tmp_path / "album" / "first.flac").touch()
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = {"PATH": path, "HOME": os.fspath(tmp_path), "LANG": "C.UTF-8", "PYTHONPATH": os.getcwd()}
    here = ["env", "-C", os.fspath(tmp_path), *command]
    with terminal(tmp_path, here, 110, 40, environment) as window:
        window.enter(prompt)
        window.wait_for("ready> ")
        window.enter(load)
        window.enter("clear; echo lo''aded")
        window.wait_for("loaded", 30)
        yield window


@pytest.mark.heavy
@pytest.mark.external
def test_a_real_shell_completes(shell: Terminal) -> None:
    for typed, whole in (
        ("fairhearing meas", "fairhearing measure"),
        ("fairhearing measure so", "fairhearing measure song\\ one.wav"),
        ("fairhearing measure alb", "fairhearing measure album/"),
        ("fairhearing measure album/fi", "fairhearing measure album/first.flac"),
        ("fairhearing predict --profile r128,minus14-h", "--profile r128,minus14-headroom"),
        ("fairhearing check x.wav --for minus14-o", "--for minus14-opus128"),
        ("fairhearing profiles show unt", "profiles show untouched"),
        ("fairhearing guide glo", "guide glossary"),
    ):
        shell.type(typed)
        shell.press("Tab")
        shell.wait_for(whole, 20)
        shell.press("C-c")
        shell.enter("clear")
        shell.wait_without(whole)
