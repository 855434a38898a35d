"""Does every 100 ms step keep its own true peak? Against an independent long filter at 16×.

The peaks of the steps are what peak to short-term loudness is worked out from. Tolerance 0.05 dB, that of the
true-peak meter; a step's peak is never below its samples. Between a step's last frame and the next one's
first the wave may be counted or not: it rises there where a stroke begins.
"""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support import real_music
from support.signals import band_limited, noise_bursts, pink_noise
from support.true_peak_reference import step_peaks

from simulator.common.units import db_to_gain
from simulator.dsp.segments import edge_frames
from simulator.metering.meter import measure_array


def decays(rate: int, seconds: float) -> NDArray[np.float32]:
    """Strokes that die away by 60 dB in 0.4 s, at no regular distance: the loudest place of many a step is
    its very first frame."""
    random = np.random.default_rng(8)
    samples = band_limited(pink_noise(round(seconds * rate), 7, rate), 0.4)
    since, envelope = 0, np.zeros(samples.shape[0])
    for start in np.cumsum(random.integers(rate // 3, rate, 40)):
        envelope[since:start] = 10.0 ** (
            -3.0 * np.arange(min(start, samples.shape[0]) - since) / (0.4 * rate)
        )
        if start >= samples.shape[0]:
            break
        since = start
    return (samples * envelope * 0.5).astype(np.float32)


def assert_steps_agree(samples: NDArray[np.float32], rate: int) -> None:
    found = measure_array(samples, rate).series.true_peak
    edges = edge_frames(0, found.shape[0], rate, 10)
    samples = samples[: edges[-1]]
    own = np.maximum.reduceat(np.abs(samples), edges[:-1])
    sounding = np.flatnonzero(own > 1e-4)[:-1]  # the last one rings on beyond what is compared
    assert sounding.shape[0] > 50
    assert np.all(found >= own * (1.0 - 1e-6))  # read in single precision
    within, whole = step_peaks(samples, edges)
    assert np.all((found > within * db_to_gain(-0.05))[sounding])
    assert np.all((found < whole * db_to_gain(0.05))[sounding])


@pytest.mark.parametrize("rate", [44_100, 48_000, 22_050, 11_025])
def test_the_steps_of_dying_strokes_keep_their_peaks(rate: int) -> None:
    assert_steps_agree(decays(rate, 16.0), rate)


def test_the_steps_of_bursts_keep_their_peaks() -> None:
    bursts = band_limited(noise_bursts(44_100, 14.0, seed=3, channels=1)[:, 0], 0.4)
    assert_steps_agree(bursts.astype(np.float32), 44_100)


@pytest.mark.external
@pytest.mark.usefixtures("music_files")
@pytest.mark.parametrize("name", ["madness-guitar", "freedom-song", "feelings-guitar"])
def test_the_steps_of_real_music_keep_their_peaks(name: str) -> None:
    files = real_music.files()
    assert files is not None
    samples, rate = soundfile.read(files[name], dtype="float32", always_2d=True, frames=90 * 44_100)
    assert_steps_agree(np.ascontiguousarray(samples[:, 0]), rate)
