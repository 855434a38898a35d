"""A file's name steers no terminal, and no script takes the place of what it plays."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.cli.app import run

ESCAPE = "\x1b]0;gotcha\x07\x1b[2J"


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("cache", "config", "data"):
        monkeypatch.setenv(f"XDG_{name.upper()}_HOME", str(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def write(path: Path) -> bytes:
    soundfile.write(path, np.random.default_rng(1).uniform(-0.1, 0.1, (16_000, 2)), 16_000)
    return path.read_bytes()


@pytest.mark.parametrize("command", ["measure", "predict", "check", "listen"])
def test_no_escape_of_a_name_reaches_the_terminal(
    command: str, here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    write(here / f"song{ESCAPE}.wav")
    write(here / "other.wav")  # check prints names where there is more than one master
    (here / f"text{ESCAPE}.wav").write_text("no audio", encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", io.StringIO("list\nexplain\nnote x\x1b[2J\nmarks\nquit\n"))
    more = {"listen": ["--to-file", "out.wav"], "check": ["other.wav"]}.get(command, [])
    code = run([command, f"song{ESCAPE}.wav", f"text{ESCAPE}.wav", *more])
    out, err = capsys.readouterr()
    assert code == 1
    assert "gotcha" in out
    assert "gotcha" in err
    assert "\x1b" not in out + err
    assert "\x07" not in out + err


def test_the_desk_does_not_play_into_what_it_plays(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = write(here / "song.wav")
    assert run(["listen", "song.wav", "--to-file", "song.wav", "--force"]) == 4
    assert "is one of the source files" in capsys.readouterr().err
    assert (here / "song.wav").read_bytes() == before
