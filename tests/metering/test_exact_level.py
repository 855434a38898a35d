"""The exact frames of a passage have the level that the standard's filter gives them, wherever they begin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sosfilt
from support.signals import pink_noise

from simulator.dsp.k_weighting import k_weighting_coefficients
from simulator.metering.gating import exact_lufs

RATE = 48_000


@pytest.mark.parametrize(("begin", "end"), [(24_000, 48_000), (66_000, 210_000), (3_001, 3_100)])
def test_the_level_is_that_of_the_whole_stream_s_filter_on_these_frames(begin: int, end: int) -> None:
    """scipy's sosfilt over the whole stream; here only half a second before the passage is known."""
    left = pink_noise(5 * RATE, 3, RATE)
    samples = np.stack([left, 0.5 * np.roll(left, 100)], axis=1).astype(np.float32)
    weighted = sosfilt(k_weighting_coefficients(RATE), samples.astype(np.float64), axis=0)
    expected = -0.691 + 10.0 * np.log10((weighted[begin:end] ** 2).sum(1).mean())
    lead = min(begin, RATE // 2)
    assert exact_lufs(samples[begin - lead : end], lead, RATE) == pytest.approx(expected, abs=1e-3)


def test_silence_and_nothing_have_no_level() -> None:
    silence = np.zeros((RATE, 2), np.float32)
    assert exact_lufs(silence, 100, RATE) is None
    assert exact_lufs(silence + 0.1, RATE, RATE) is None
    assert exact_lufs(silence[:0], 0, RATE) is None
