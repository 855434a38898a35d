"""A drive tried on the envelope gives the loudness of the whole pass, block by block the same."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals

from simulator.dsp.mastering_limiter import ActionReport, MasteringSettings, master_blocks
from simulator.metering.meter import measure_array
from simulator.rungs.search import envelope

RATE = 44_100
Samples = NDArray[np.float32]
SETTINGS = MasteringSettings(-1.0)


@pytest.fixture(scope="module")
def mix() -> Samples:
    """Hits over pink noise that swells, 4 s, two channels, peak −3 dBFS."""
    count = 4 * RATE
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * np.arange(count) / (2 * RATE))
    sides = []
    for seed in (5, 6):
        wave = 0.05 * signals.pink_noise(count, seed, RATE) * swell
        for beat in range(8):
            local = np.arange(RATE // 2) / RATE
            wave[beat * RATE // 2 : (beat + 1) * RATE // 2] += np.sin(380.0 * local) * np.exp(-10.0 * local)
        sides.append(signals.band_limited(wave))
    both = np.stack(sides, axis=1)
    return np.asarray(both * 10.0 ** (-3.0 / 20.0) / np.abs(both).max(), np.float32)


@pytest.mark.parametrize("drive_db", [0.0, 4.0, 8.0, 14.0])
def test_it_gives_the_loudness_of_the_whole_pass(mix: Samples, drive_db: float) -> None:
    """Measured by the meter on the limiter's own output. It may miss by what a rung may:
    by 0.1 LU."""
    passed = list(master_blocks([mix], 2, RATE, drive_db, SETTINGS, ActionReport()))
    whole = measure_array(np.concatenate(passed), RATE).integrated_lufs
    assert envelope([mix], RATE, 2).integrated_lufs(drive_db, SETTINGS) == pytest.approx(whole, abs=0.1)


def test_block_sizes_do_not_change_it(mix: Samples) -> None:
    one, other = envelope([mix], RATE, 2), envelope(np.array_split(mix, 37), RATE, 2)
    assert np.array_equal(one.peak, other.peak)
    assert np.array_equal(one.energy, other.energy)


def test_silence_and_nothing_have_no_loudness() -> None:
    for samples in (np.zeros((RATE, 2), np.float32), np.zeros((0, 2), np.float32)):
        assert envelope([samples], RATE, 2).integrated_lufs(6.0, SETTINGS) is None
