"""Progress of long work: a bar on a terminal, lines in a pipe, nothing under --quiet; what Ctrl-C leaves."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.cli import output
from simulator.engine import measure

Answer = tuple[int, str, str]


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Two short files, each taking a while, as the words of a command."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("FAIRHEARING_IN_PROCESS", "1")
    monkeypatch.setattr(output, "LINE_SECONDS", 0.03)
    samples = np.random.default_rng(1).uniform(-0.1, 0.1, (22_050, 2))
    for name in "ab":
        soundfile.write(tmp_path / f"{name}.wav", samples, 44_100)
        os.utime(tmp_path / f"{name}.wav", (1e9, 1e9))  # a file of this very moment is read again
    work = measure.measure_alone

    def slow(job: measure.Job) -> object:
        time.sleep(0.1)
        return work(job)

    monkeypatch.setattr(measure, "measure_alone", slow)
    return f"{tmp_path / 'a.wav'} {tmp_path / 'b.wav'}"


def test_in_a_pipe_a_line_now_and_then_says_what_is_done(files: str, answer: Callable[[str], Answer]) -> None:
    code, out, err = answer(f"measure --json {files}")
    assert code == 0
    assert out.startswith("[")
    lines = err.splitlines()
    assert len(lines) >= 2
    assert all(re.fullmatch(r"Measuring: [012] of 2 after \d s\.", line) for line in lines)


def test_quiet_is_quiet(files: str, answer: Callable[[str], Answer]) -> None:
    code, out, err = answer(f"measure --quiet {files}")
    assert (code, err) == (0, "")
    assert out


def test_ctrl_c_says_what_was_kept(
    files: str, answer: Callable[[str], Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    work = measure.measure_alone

    def interrupted(job: measure.Job) -> object:
        if job.path.endswith("b.wav"):
            raise KeyboardInterrupt
        return work(job)

    monkeypatch.setattr(output, "LINE_SECONDS", 10.0)
    monkeypatch.setattr(measure, "measure_alone", interrupted)
    said = "Interrupted. Nothing half-written is left behind.\n"
    code, _, err = answer(f"measure --no-cache {files}")
    assert (code, err.lstrip()) == (130, said)
    code, _, err = answer(f"measure {files}")
    kept = "Measuring: 1 done, kept in the cache: the next run continues from there.\n"
    assert (code, err.lstrip()) == (130, said + kept)

    def never(job: measure.Job) -> object:
        raise AssertionError(job.path)

    monkeypatch.setattr(measure, "measure_alone", never)
    assert answer(f"measure {files.split()[0]}")[0] == 0


def test_on_a_terminal_a_bar_shows_during_a_single_long_step(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(output, "PATIENCE_SECONDS", 0.02)
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with output.steps("Rendering", 1) as step:
        time.sleep(0.4)
        step()
    shown = capsys.readouterr().err
    assert "Rendering" in shown
    assert "0/1" in shown


def test_more_steps_than_expected_raise_the_count(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(output, "LINE_SECONDS", 0.05)
    with output.steps("Checking", 1) as step:
        step()
        step()
        time.sleep(0.15)
    assert "Checking: 2 of 2 after 0 s." in capsys.readouterr().err
