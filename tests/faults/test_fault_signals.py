"""Ctrl-C, a closed terminal and `kill` in the middle of every command's work: it ends, and leaves nothing."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile
from support.signals import pink_noise

RATE = 44_100
LIMIT_SECONDS = 30.0
WORDS = {
    "measure": "measure a.wav b.wav --workers 0",
    "predict": "predict a.wav b.wav --profile minus14-limited --workers 0",
    "render": "render a.wav b.wav --out out --workers 0",
    "render in workers": "render a.wav b.wav --out out --workers 2",
    "compare": "compare a.wav b.wav --figure out/a.svg",
    "check": "check a.wav b.wav --workers 0",
    "page": "page a.wav b.wav -o out/page.html --workers 0",
}
MET = [(stage, name) for at, stage in enumerate(WORDS) for name in ("SIGINT", ("SIGTERM", "SIGHUP")[at % 2])]
"""Ctrl-C in every stage, and one of the other two, which share its way out."""


@pytest.fixture(scope="module")
def masters(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two masters of two minutes, long enough that a command is still at work when it is met."""
    folder = tmp_path_factory.mktemp("masters")
    noise = 0.2 * np.tile(pink_noise(10 * RATE, seed=5, sample_rate=RATE), 12)
    for name, gain in (("a", 1.0), ("b", 3.0)):
        wave = np.clip(gain * noise, -1.0, 1.0)
        soundfile.write(folder / f"{name}.wav", np.column_stack([wave, wave]), RATE, subtype="PCM_24")
        os.utime(folder / f"{name}.wav", (1e9, 1e9))
    (folder / "out").mkdir()
    return folder


def at_work(process: psutil.Process, master: Path) -> bool:
    """Does the process, or one of its children, have the master open?"""
    for one in [process, *process.children(recursive=True)]:
        try:
            if any(file.path == os.fspath(master) for file in one.open_files()):
                return True
        except psutil.Error:
            continue
    return False


def wait_until(condition: Callable[[], bool], process: subprocess.Popen[bytes], what: str) -> None:
    end = time.monotonic() + LIMIT_SECONDS
    while not condition():
        assert process.poll() is None, f"ended before {what}: {process.communicate()}"
        assert time.monotonic() < end, f"no sign of {what}"
        time.sleep(0.002)


@pytest.mark.heavy
@pytest.mark.parametrize(("stage", "name"), MET)
def test_a_signal_in_mid_work_ends_everything_and_leaves_nothing(
    masters: Path, tmp_path: Path, stage: str, name: str
) -> None:
    before = {path: hashlib.sha256(path.read_bytes()).digest() for path in masters.glob("*.wav")}
    passing = tmp_path / "tmp"
    passing.mkdir()
    around = {
        **os.environ, "XDG_CACHE_HOME": os.fspath(tmp_path / "cache"), "TMPDIR": os.fspath(passing)
    }  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", *WORDS[stage].split()],
        cwd=masters, env=around, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    seen = psutil.Process(process.pid)
    try:
        if stage.startswith("render"):
            wait_until(lambda: any((masters / "out").glob(".*.part")), process, "a half-written file")
        else:
            wait_until(lambda: at_work(seen, masters / "a.wav"), process, "the master being read")
        everyone = [seen, *seen.children(recursive=True)]
        number = getattr(signal, name)
        if name == "SIGTERM":
            process.send_signal(number)  # `kill` names one process
        else:
            os.killpg(process.pid, number)  # a terminal tells all of its group
        out, err = process.communicate(timeout=LIMIT_SECONDS)
    finally:
        process.kill()
        process.communicate()
    assert process.returncode == (130 if name == "SIGINT" else 128 + number), err.decode()
    assert b"Traceback" not in out + err, err.decode()
    assert (b"Nothing half-written" in err) == (name == "SIGINT")
    _, alive = psutil.wait_procs(everyone, timeout=5.0)
    assert alive == []
    assert list((masters / "out").iterdir()) == []
    assert list(passing.iterdir()) == []
    assert {path: hashlib.sha256(path.read_bytes()).digest() for path in masters.glob("*.wav")} == before
