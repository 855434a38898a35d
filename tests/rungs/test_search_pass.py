"""A search pass reads what the full measurement reads."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.metering.meter import measure_array
from simulator.rungs.search import gained, quick

TOLERANCE = 1e-9
"""LU and dB. Search pass and meter cut the stream into segments of different lengths, so the matrix products
have other shapes, and a linear-algebra library may add up in another order for each shape: with its AVX-512
kernels the two differed by 3e-14 LU. Their filters are held to 1e-9 of the energy, and no more is asked."""


def noise(channels: int, rate: int) -> np.ndarray:
    made = [signals.pink_noise(4 * rate, seed, rate) for seed in range(channels)]
    both = np.stack(made, axis=1)
    return (0.9 * both / np.abs(both).max()).astype(np.float32)


@pytest.mark.parametrize(("channels", "rate"), [(1, 44_100), (2, 44_100), (2, 96_000), (6, 48_000)])
def test_loudness_and_true_peak_are_those_of_the_meter(channels: int, rate: int) -> None:
    samples = noise(channels, rate)
    whole = measure_array(samples, rate)
    found = quick([samples[:1000], samples[1000:]], rate, channels, peaks=True)
    assert found.integrated_lufs == pytest.approx(whole.integrated_lufs, abs=TOLERANCE)
    assert found.true_peak_dbtp == pytest.approx(whole.true_peak_dbtp, abs=TOLERANCE)


def test_the_peak_is_read_only_where_it_is_asked_for() -> None:
    assert quick([noise(2, 44_100)], 44_100, 2).true_peak_dbtp is None


def test_silence_has_neither() -> None:
    found = quick([np.zeros((44_100, 2))], 44_100, 2, peaks=True)
    assert found.integrated_lufs is None
    assert found.true_peak_dbtp is None


def test_plain_gain_needs_no_pass() -> None:
    samples = noise(2, 44_100)
    found = gained(measure_array(samples, 44_100), -7.3)
    again = quick([samples * np.float32(10.0 ** (-7.3 / 20.0))], 44_100, 2, peaks=True)
    assert found.integrated_lufs == pytest.approx(again.integrated_lufs, abs=1e-5)
    assert found.true_peak_dbtp == pytest.approx(again.true_peak_dbtp, abs=1e-4)
