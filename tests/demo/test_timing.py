"""The clock of a score."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.demo.demo import read_score
from simulator.demo.performance import Clock

TEXT = """
format = 1
title = "T"
artist = "A"
tempo_bpm = 120
seed = 1
part = []
tail_s = 2.0
SWING
[[master]]
file = "t"
peak_dbtp = -1.0
[[section]]
name = "even"
chords = "C"
[[section]]
name = "slower"
chords = "C | C"
tempo_bpm = [120, 60]
"""


def clock(swing: str = "") -> Clock:
    return Clock(read_score("t", TEXT.replace("SWING", swing)))


def test_an_even_tempo_counts_beats_in_seconds() -> None:
    assert clock().seconds(3.0) == pytest.approx(1.5, abs=1e-9)


def test_a_tempo_that_falls_straight_over_the_beats_takes_the_integral_of_its_inverse() -> None:
    # from 120 to 60 over 8 beats: the sum of 60/(120 - 7.5 b) db is 8 ln 2 seconds
    assert clock().seconds(12.0) - clock().seconds(4.0) == pytest.approx(8.0 * np.log(2.0), abs=1e-4)


def test_the_piece_ends_a_tail_after_the_last_bar() -> None:
    assert clock().end_s == pytest.approx(clock().seconds(12.0) + 2.0)
    assert clock().seconds(13.0) == pytest.approx(clock().seconds(12.0) + 1.0, abs=0.01)


def test_swing_makes_every_second_sixteenth_late_and_leaves_the_beats() -> None:
    swung = clock("swing = 0.2")
    assert swung.seconds(1.0) == pytest.approx(0.5)
    assert swung.seconds(1.5) == pytest.approx(0.75)
    assert swung.seconds(1.25) == pytest.approx(0.5 + 0.125 * 1.2)
