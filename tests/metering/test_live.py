"""The live meter reads what the meter of whole files reads, and nothing where there is nothing."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.metering.meter import WANTED_SECONDS, measure_array, read_live

RATE = 48000


def sine(level_dbfs: float, seconds: float, frequency_hz: float = 1000.0) -> NDArray[np.float32]:
    """A tone in both channels, peak level as named."""
    wave = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * np.arange(int(seconds * RATE)) / RATE)
    return np.repeat(wave[:, np.newaxis], 2, axis=1).astype(np.float32)


@pytest.mark.parametrize("level_dbfs", [-23.0, -33.0])
def test_it_reads_the_calibration_tones(level_dbfs: float) -> None:
    """EBU Tech 3341 Table 1, cases 1 and 2: M = S within 0.1; true peak of a sine is its amplitude."""
    found = read_live(sine(level_dbfs, 4.0), RATE)
    assert found.momentary_lufs == pytest.approx(level_dbfs, abs=0.1)
    assert found.short_term_lufs == pytest.approx(level_dbfs, abs=0.1)
    assert found.true_peak_dbtp == pytest.approx(level_dbfs, abs=0.05)


def test_it_reads_as_the_meter_of_whole_files_does() -> None:
    """Its window ends on a step of 100 ms here, so both look at the same 3 s; the high-pass starts from
    nothing half a second before, which moves noise by less than 0.01 LU."""
    noise = (np.random.default_rng(3).standard_normal((6 * RATE, 2)) * 0.1).astype(np.float32)
    noise[: 2 * RATE] *= np.float32(0.1)
    whole = measure_array(noise, RATE)
    assert read_live(noise, RATE).short_term_lufs == pytest.approx(whole.max_short_term_lufs, abs=0.01)


def test_the_past_beyond_its_windows_leaves_no_trace() -> None:
    quiet_after_loud = np.concatenate([sine(0.0, 5.0, 50.0), sine(-40.0, WANTED_SECONDS)])
    found = read_live(quiet_after_loud, RATE)
    alone = read_live(sine(-40.0, WANTED_SECONDS), RATE)
    assert found == alone


def test_momentary_follows_the_last_400_ms() -> None:
    found = read_live(np.concatenate([sine(-20.0, 4.0), sine(-40.0, 0.5)]), RATE)
    assert found.momentary_lufs == pytest.approx(-40.0, abs=0.1)
    assert found.short_term_lufs is not None
    assert found.short_term_lufs > -22.0


@pytest.mark.parametrize(
    "samples",
    [np.zeros((0, 2), np.float32), np.zeros((RATE, 2), np.float32)],
    ids=["nothing yet", "silence"],
)
def test_there_is_no_reading_of_silence(samples: NDArray[np.float32]) -> None:
    found = read_live(samples, RATE)
    assert (found.momentary_lufs, found.short_term_lufs, found.true_peak_dbtp) == (None, None, None)


def test_a_window_that_is_not_full_is_not_read() -> None:
    found = read_live(sine(-20.0, 1.0), RATE)
    assert found.momentary_lufs == pytest.approx(-20.0, abs=0.1)
    assert found.short_term_lufs is None


def test_what_rings_on_after_the_music_is_no_reading() -> None:
    """A constant offset leaves the weighting's high-pass as next to nothing, which no meter shows."""
    found = read_live(np.full((4 * RATE, 2), 0.1, np.float32), RATE)
    assert (found.momentary_lufs, found.short_term_lufs) == (None, None)
    assert found.true_peak_dbtp == pytest.approx(-20.0, abs=1.5)
