"""The handbook on the screen, and what it and the README must hold."""

from __future__ import annotations

import inspect
import re
import shutil
import subprocess
from pathlib import Path

import click
import pytest

from simulator.cli.app import COMMANDS, EXAMPLES, cli, run
from simulator.cli.commands.guide import FOLDER, TOPICS, headings, topic_text
from simulator.common.errors import ExitCode
from simulator.normalizer.profile import PROFILE_KEYS
from simulator.session.acts.command import Command
from simulator.session.commands import COMMANDS as DESK_COMMANDS

WHOLE = "\n".join(map(topic_text, TOPICS))
README = (FOLDER.parents[1] / "README.md").read_text(encoding="utf-8")


def test_the_list_names_every_page_with_its_heading(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["guide"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert {path.stem for path in FOLDER.iterdir()} == set(TOPICS)
    assert [line.split()[0] for line in lines[1:]] == list(TOPICS)
    for line, heading in zip(lines[1:], headings().values(), strict=True):
        assert line.endswith(f"  {heading}")


@pytest.mark.parametrize("columns", [40, 80, 200])
@pytest.mark.parametrize("topic", TOPICS)
def test_a_page_fits_80_columns_and_narrower_ones_and_is_plain_in_a_pipe(
    topic: str, columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert run(["guide", topic]) == 0
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= min(columns, 80)
    assert "\x1b" not in shown
    assert "```" not in shown
    assert "**" not in shown
    assert shown.startswith(headings()[topic][: columns // 2])
    source = re.sub(r"^```.*$|\| *---.*", "", topic_text(topic), flags=re.MULTILINE)
    words = re.findall(r"[^\W\d_]{4,}", source)
    unbroken = re.sub(r"\W+", "", shown)
    assert [word for word in words if word not in unbroken and columns > 40] == []


def test_the_longest_line_of_code_is_whole_at_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    for topic in TOPICS:
        run(["guide", topic])
        shown = {line.strip() for line in capsys.readouterr().out.splitlines()}
        for block in re.findall(r"^```[^\n]*\n(.*?)^```$", topic_text(topic), re.MULTILINE | re.DOTALL):
            assert {line.strip() for line in block.splitlines()} <= shown | {""}


@pytest.mark.parametrize(("word", "near"), [
    ("lissen", "Did you mean listen?"), ("p", "page or profiles or playlists"),
    ("xylophone", "Topics: artist, "),
])  # fmt: skip
def test_an_unknown_topic_is_refused_with_near_names(
    word: str, near: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["guide", word]) == ExitCode.WRONG_USE
    shown = capsys.readouterr()
    assert shown.out == ""
    assert f"“{word}”" in shown.err
    assert near in shown.err


def test_the_beginning_of_a_topic_is_enough(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["guide", "GLOSS"]) == 0
    assert capsys.readouterr().out.startswith("Glossary")


def parts() -> list[tuple[str, click.Command]]:
    """Every command, and the parts of those that have some, with the command's name."""
    found = []
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        inner = command.commands.values() if isinstance(command, click.Group) else [command]
        found += [(name, part) for part in inner]
    return found


def options() -> dict[str, set[str]]:
    """The options that --help lists, of each command."""
    found: dict[str, set[str]] = {name: {"--help"} for name in COMMANDS}
    for name, part in parts():
        for parameter in part.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                found[name].update(parameter.opts)
    return found


def test_the_manual_page_holds_what_help_holds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rendered by groff where there is one, with all its warnings on; else by undoing the few escapes."""
    monkeypatch.setenv("COLUMNS", "80")
    assert run(["guide", "--man"]) == 0
    roff = capsys.readouterr().out
    shown = re.sub(r"\\\[u([0-9A-F]{4})\]", lambda code: chr(int(code[1], 16)), roff)
    shown = shown.replace("\\-", "-").replace("\\e", "\\").replace("\\&", "")
    if shutil.which("groff"):
        page = tmp_path / "fairhearing.1"
        page.write_text(roff, encoding="utf-8")
        done = subprocess.run(
            ["groff", "-man", "-Tutf8", "-P-c", "-ww", "-rLL=200n", page],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stderr == ""
        assert "fairhearing measure master.wav" in done.stdout
    flat = " ".join(shown.split())
    for name, part in parts():
        for parameter in part.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                assert " ".join((parameter.help or "").split()) in flat, f"{name} {parameter.name}"
                assert f"{max(parameter.opts, key=len)}" in flat
        for paragraph in inspect.cleandoc(part.help or "").split("\n\n"):
            assert " ".join(paragraph.split()) in flat
    for lines in EXAMPLES.values():
        assert [line for line in lines if line not in shown] == []


@pytest.mark.parametrize("page", ["README", *TOPICS])
def test_only_commands_and_options_that_exist_are_named(page: str) -> None:
    """In code between the sentences; the blocks of code are run elsewhere."""
    prose = re.sub(r"^```.*?^```$", "", README if page == "README" else topic_text(page), flags=re.M | re.S)
    known = options()
    for code in re.findall(r"`([^`\n]+)`", prose):
        words = code.split()
        if words[0] == "fairhearing" and len(words) > 1 and words[1].islower():
            assert words[1] in known, code
        if words[0] == "python":  # its own options
            continue
        own = next((known[word] for word in words if word in known), set().union(*known.values()))
        assert set(re.findall(r"(?<![\w-])--?[a-z][a-z-]*", code)) <= own, code


def test_every_option_is_explained_by_help() -> None:
    silent = [
        f"{name} {parameter.name}"
        for name, part in parts()
        for parameter in part.params
        if isinstance(parameter, click.Option) and not parameter.hidden and not parameter.help
    ]
    assert silent == []


@pytest.mark.parametrize("key", sorted({key.split(".")[-1] for key in PROFILE_KEYS}))
def test_every_key_of_a_profile_is_in_the_handbook(key: str) -> None:
    assert key in topic_text("profiles")


@pytest.mark.parametrize("key", [
    "format", "title", "client", "profile", "state", "path", "artist", "role", "song", "album", "album_order",
])  # fmt: skip
def test_every_key_of_a_playlist_is_in_the_handbook(key: str) -> None:
    assert re.search(rf"^{key} = ", topic_text("playlists"), re.MULTILINE)


@pytest.mark.parametrize("code", ExitCode)
def test_every_exit_code_is_in_the_handbook(code: ExitCode) -> None:
    assert re.search(rf"^\| {code.value} \|", topic_text("files"), re.MULTILINE)


@pytest.mark.parametrize("command", DESK_COMMANDS, ids=lambda command: command.name)
def test_every_command_of_the_desk_is_in_the_handbook(command: Command) -> None:
    assert re.search(rf"^\|[^|]*`{command.name}\b", topic_text("listen"), re.MULTILINE)


@pytest.mark.parametrize("fact", [
    "BS.1770-5", "Tech 3341", "Tech 3342", "H.870", "85 dBA", "80 dBA", "BS.775", "0.7071", "within 0.05 dB",
    "0.004 dB", "0.06 dB", "0.13 dB", "0.55 dB", "−200 dB", "−187 dBFS", "10th percentile", "0.01 LU",
    "0.1 LU", "0.2 LU", "4 GB", "15 MB", "0.45 dB", "0.26 dB", "0.18 dB", "256 kbit/s", "8 to 192 kHz",
    "5 ms", "−60 LUFS",
])  # fmt: skip
def test_what_was_measured_or_is_prescribed_is_in_the_handbook(fact: str) -> None:
    assert fact in re.sub(r"\s+", " ", WHOLE)
