"""The meter's peak stays for three seconds, and it is not worked out more often than the eye reads."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.desk.live_view import DeskMeter

RATE = 8000


class Output:
    """What left the program, as a ring would give it, and a clock."""

    def __init__(self) -> None:
        self.samples = np.zeros((0, 2), np.float32)
        self.now = 0.0
        self.asked = 0

    def play(self, level: float, seconds: float) -> None:
        """A tone at a quarter of the rate, so that every peak is a sample."""
        wave = level * np.sin(np.pi / 2 * np.arange(int(seconds * RATE)) + np.pi / 4) * 2**0.5
        self.samples = np.concatenate([self.samples, np.repeat(wave[:, None], 2, 1).astype(np.float32)])
        self.now += seconds

    def recent(self, seconds: float) -> NDArray[np.float32]:
        self.asked += 1
        return self.samples[-int(seconds * RATE) :]


def test_a_peak_is_held_for_three_seconds_and_then_forgotten() -> None:
    output = Output()
    meter = DeskMeter(output.recent, RATE, lambda: output.now)
    output.play(0.5, 1.0)
    assert meter.look().true_peak_dbtp == pytest.approx(-3.01, abs=0.1)
    output.play(0.05, 2.5)
    assert meter.look().true_peak_dbtp == pytest.approx(-3.01, abs=0.1)
    output.play(0.05, 1.0)
    assert meter.look().true_peak_dbtp == pytest.approx(-23.01, abs=0.1)


def test_it_looks_five_times_a_second_at_most() -> None:
    output = Output()
    meter = DeskMeter(output.recent, RATE, lambda: output.now)
    for _ in range(10):
        output.play(0.1, 0.1)
        meter.look()
    assert output.asked == 5


def test_silence_after_sound_reads_as_nothing() -> None:
    output = Output()
    meter = DeskMeter(output.recent, RATE, lambda: output.now)
    output.play(0.5, 1.0)
    meter.look()
    output.play(0.0, 4.0)
    found = meter.look()
    assert (found.momentary_lufs, found.short_term_lufs, found.true_peak_dbtp) == (None, None, None)
