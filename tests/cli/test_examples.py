"""Every example of the README, the handbook and --help works: it is run, in a folder of small real files."""

from __future__ import annotations

import io
import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.blind_test.ballot import Ballot, answer_line
from simulator.blind_test.trial import TrialPlan
from simulator.cli.app import COMMANDS, EXAMPLES, run
from simulator.cli.commands.guide import FOLDER
from simulator.common.errors import SimulatorError
from simulator.normalizer.profile import parse_profile
from simulator.page.comments import Comment, comment_line, page_act
from simulator.playlists.formats import parse_toml
from simulator.playlists.playlist import Track
from simulator.session.commands import COMMANDS as DESK_COMMANDS
from simulator.session.log import Act, Record, ballot_act, to_json

ROOT = Path(__file__).resolve().parents[2]
RATE = 44_100
SECONDS = 6.0
PAGES = [ROOT / "README.md", *sorted(FOLDER.glob("*.md"))]
SLOW = re.compile(
    r"fairhearing (demo|doctor|ladder|listen .*<|page|.*\bdemo\b|.*--profile all|check .*--for)"
    r"|compare .*--(out|write-difference)|^(codec|montage) "
)
"""What takes seconds: it is left to the heavy run, with the rest of its block."""

FOUND_SOMETHING = 3
PLAYLIST = """format = 1
title = "Which master?"
[[tracks]]
path = "open.wav"
title = "Song (open master)"
song = "song"
[[tracks]]
path = "loud.wav"
title = "Song (loud master)"
song = "song"
"""


@dataclass(frozen=True)
class Block:
    """One fenced block: where it is, its language, its lines."""

    place: str
    language: str
    lines: tuple[str, ...]


def fenced(path: Path) -> list[Block]:
    text = path.read_text(encoding="utf-8")
    found = re.findall(r"^```([^\n]*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return [
        Block(f"{path.stem}-{number}", language, tuple(body.strip("\n").split("\n")))
        for number, (language, body) in enumerate(found, 1)
    ]


BLOCKS = [block for path in PAGES for block in fenced(path)]
BLOCKS += [Block(f"help-{name}", "sh", tuple(lines)) for name, lines in EXAMPLES.items()]


def of(language: str) -> list[object]:
    return [
        pytest.param(block, id=block.place, marks=[pytest.mark.heavy] * any(map(SLOW.search, block.lines)))
        for block in BLOCKS
        if block.language == language
    ]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files that the examples name, and the user's folders beside them."""
    folder = tmp_path_factory.mktemp("examples")
    time = np.arange(int(SECONDS * RATE)) / RATE
    noise = np.random.default_rng(7).standard_normal((time.size, 2))
    held = np.sin(2 * np.pi * 220.0 * time)[:, np.newaxis]  # clipped, it gains harmonics: an audible change
    music = (0.03 * noise + 0.08 * held) * (1.0 + 0.7 * np.sin(2 * np.pi * time / SECONDS))[:, np.newaxis]
    loud = np.clip(music * 12.0, -0.9, 0.9)
    (folder / "album").mkdir()
    for name, samples in {
        "open": music, "mix": music, "loud": loud, "master": loud, "v2": music[::-1],
        "album/1": music, "album/2": loud,
    }.items():  # fmt: skip
        soundfile.write(folder / f"{name}.wav", samples, RATE, subtype="PCM_24")
    (folder / "song.toml").write_text(PLAYLIST, encoding="utf-8")
    plan = TrialPlan("preference", ("open", "loud"), 8, 3, "matched", 0.03, 52.3, 6.0, "its loudest 6 s")
    at = "2026-01-01T09:00:00+00:00"
    decided = {"destination": "streaming", "target_lufs": -14.0, "ceiling_dbtp": -1.0}
    tracks = (Track("open.wav", "Song (open master)"), Track("loud.wav", "Song (loud master)"))
    acts = (
        Act(at, "decision", decided),
        ballot_act(at, Ballot("abcdefghjk", plan), "song.html"),
        page_act(at, "mnpqrstuvw", "plain.html", tracks),
    )
    (folder / "song.session.json").write_bytes(to_json(Record("Which master?", acts)))
    (folder / "vote.txt").write_text(answer_line("abcdefghjk", "ABBABBAB", False) + "\n", encoding="utf-8")
    comment = comment_line(Comment("mnpqrstuvw", 2, 3.0, None, "0123abcd"))
    (folder / "comments.txt").write_text(f"{comment}\nwords: the snare is dull\n", encoding="utf-8")
    mails = (
        f"From {name}@example.org Thu Jan  1 09:00:00 2026\nFrom: {name}@example.org\n\n"
        f"{answer_line('abcdefghjk', letters, False)}\nname: {name}\n\n"
        for name, letters in (("anna", "ABBABBAB"), ("ben", "AABABBAB"))
    )
    (folder / "mails.mbox").write_text("".join(mails), encoding="utf-8")
    (folder / "home").mkdir()
    return folder


@pytest.fixture
def here(files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own with these files, and one cache for all."""
    folder = tmp_path / "here"
    shutil.copytree(files, folder, ignore=shutil.ignore_patterns("cache"))
    monkeypatch.chdir(folder)
    monkeypatch.setenv("HOME", str(folder / "home"))
    for name in ("CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(folder / name.lower()))
    monkeypatch.setenv("XDG_CACHE_HOME", str(files / "cache"))
    return folder


def in_a_shell(line: str) -> int:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    shell = subprocess.run(["bash", "-c", line], env={**os.environ, "PATH": path}, timeout=120, check=False)
    return shell.returncode


def here_and_now(line: str, monkeypatch: pytest.MonkeyPatch) -> int:
    """A desk that would need a device plays into a file."""
    program, *words = shlex.split(line)
    assert program == "fairhearing"
    if words[0] == "listen" and "--to-file" not in words:
        words += ["--to-file", "session.wav", "--force"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("play 1\nwait 1\nswap\nquit\n"))
    return run(words)


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("block", of("sh"))
def test_commands_work_one_after_the_other(
    block: Block, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for line in block.lines:
        code = in_a_shell(line) if re.search(r"[<>|~]|^[A-Z]", line) else here_and_now(line, monkeypatch)
        problems = capsys.readouterr().err
        assert code == 0 or (code == FOUND_SOMETHING and " check " in line), f"{line}\n{problems}"


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("block", of("desk"))
def test_the_desk_takes_every_line(block: Block, monkeypatch: pytest.MonkeyPatch) -> None:
    """By names that its help lists, and without a refusal."""
    refused = []

    def noticed(problem: SimulatorError, *words: str) -> None:
        refused.append(words)
        made(problem, *words)

    made = SimulatorError.__init__
    monkeypatch.setattr(SimulatorError, "__init__", noticed)
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join([*block.lines, "wait 1", "quit", ""])))
    assert run(["listen", "song.toml", "--to-file", "session.wav"]) == 0
    assert refused == []
    assert {line.split()[0] for line in block.lines} <= {command.name for command in DESK_COMMANDS}


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("block", of("python"))
def test_a_script_prints_what_it_finds(block: Block, capsys: pytest.CaptureFixture[str]) -> None:
    exec(compile("\n".join(block.lines), block.place, "exec"), {})
    assert re.search(r"-?\d+\.\d L", capsys.readouterr().out)


@pytest.mark.parametrize("block", of("toml"))
def test_a_file_that_is_shown_can_be_read(block: Block) -> None:
    text = "\n".join(block.lines) + "\n"
    if "[[tracks]]" in text:
        assert parse_toml(text, "shown", "shown.toml").tracks
    else:
        assert parse_profile(text, "shown", "shown.toml").sources


def test_every_block_is_run_and_every_command_has_examples() -> None:
    """But for the README's two that install, which the whole run tries in a fresh environment."""
    languages = [block.language for block in BLOCKS if not block.place.startswith("README-")]
    assert set(languages) == {"sh", "desk", "toml", "python"}
    assert [block.language for block in BLOCKS if block.place in ("README-1", "README-2")] == ["", ""]
    assert set(EXAMPLES) == set(COMMANDS)
    assert all(2 <= len(lines) <= 3 for lines in EXAMPLES.values())
    for name, lines in EXAMPLES.items():
        assert all(f"fairhearing {name}" in line for line in lines)
