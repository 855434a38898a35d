"""The rig itself: it plays bit for bit, and it sees a fault where there is one (negative control)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from support.external import require_external
from support.sound_server import RATE, has_sound_server, read_raw, runs, sound_server, sounding, unique_frames

TESTS = Path(__file__).resolve().parent.parent


def play(folder: Path, *words: str) -> tuple[list[tuple[int, int | None]], int]:
    """What the plain player played into the server: the capture's runs (length, source), and its flags."""
    source = unique_frames(8 * RATE, 3)
    source.tofile(folder / "source.raw")
    with sound_server(folder / "server") as server:
        with server.recorded(folder / "capture.raw"):
            done = subprocess.run(
                [sys.executable, "-m", "support.plain_player", str(folder / "source.raw"), *words],
                env={**os.environ, **server.environment, "PYTHONPATH": f"{TESTS}:{TESTS.parent}"},
                capture_output=True,
                text=True,
                timeout=30,
            )
        assert done.returncode == 0, done.stderr
    found = runs(sounding(read_raw(folder / "capture.raw")), source)
    return [(run.length, run.source) for run in found], int(done.stdout)


def test_a_capture_is_told_apart_into_runs_gaps_and_repeats() -> None:
    source = unique_frames(1_000, 1)
    captured = np.concatenate(
        [source[10:100], np.zeros((7, 2), np.float32), source[120:200], source[150:160]]
    )
    assert [(one.at, one.length, one.source) for one in runs(captured, source)] == [
        (0, 90, 10),
        (90, 7, None),
        (97, 80, 120),
        (177, 10, 150),
    ]


@pytest.mark.heavy
def test_the_rig_plays_bit_for_bit_and_sees_a_stall(tmp_path: Path) -> None:
    if not has_sound_server():
        require_external("no sound server is installed (Debian: pulseaudio, pulseaudio-utils)")
    (tmp_path / "idle").mkdir()
    (tmp_path / "stalled").mkdir()
    found, flags = play(tmp_path / "idle", "3")
    assert len(found) == 1, found
    assert found[0][1] == 0
    assert found[0][0] > 2.5 * RATE
    found, flags = play(tmp_path / "stalled", "4", "2", "0.3")
    gaps = [length for length, source in found if source is None]
    assert len(gaps) == 1, found
    assert 0.15 * RATE < gaps[0] < 0.3 * RATE
    assert flags >= 1
