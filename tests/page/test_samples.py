"""Sixteen bits: the error of dither and rounding, and what is above full scale."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from simulator.common.channels import folded
from simulator.page.clips import STEP, stored

LARGEST_ERROR = 1.5 * STEP
"""Of rounding (half a step) after triangular dither (a step at most)."""


@given(seed=some.integers(0, 2**32), peak=some.floats(1e-6, 0.9999))
def test_the_error_stays_within_a_step_and_a_half(seed: int, peak: float) -> None:
    samples = np.random.default_rng(seed).uniform(-peak, peak, (500, 2)).astype(np.float32)
    made = stored(samples, seed)
    assert made.samples.dtype == np.int16
    assert np.abs(made.restored() - samples).max() <= LARGEST_ERROR * 10 ** (made.gain_db / 20.0) + 1e-9


def test_the_error_does_not_depend_on_the_signal() -> None:
    """Triangular dither: mean 0, variance 1/4 step² (dither 2/12·… + rounding 1/12: 3/12), for a constant
    between two steps as for one on a step."""
    for offset in (0.0, 0.25, 0.5):
        samples = np.full((200_000, 1), (1000 + offset) * STEP, dtype=np.float32)
        error = (stored(samples, 5).restored() - samples) / STEP
        assert error.mean() == pytest.approx(0.0, abs=0.005)  # 4.5 standard errors of 0.5/sqrt(200,000)
        assert error.var() == pytest.approx(0.25, rel=0.02)


def test_the_noise_repeats_with_its_seed_and_only_then() -> None:
    samples = np.zeros((1000, 2), np.float32)
    assert np.array_equal(stored(samples, 1).samples, stored(samples, 1).samples)
    assert not np.array_equal(stored(samples, 1).samples, stored(samples, 2).samples)


def test_what_is_above_full_scale_is_stored_turned_down_and_comes_back() -> None:
    samples = np.array([[1.7, -0.2], [-1.2, 0.4]], np.float32)
    made = stored(samples, 3)
    assert made.gain_db == pytest.approx(20 * np.log10(1.7 / (1 - 3 * STEP)), abs=1e-6)
    assert np.abs(made.restored() - samples).max() <= 1.71 * LARGEST_ERROR


def test_full_scale_itself_is_never_clipped() -> None:
    samples = np.tile(np.array([[1.0], [-1.0]], np.float32), (500, 1))
    made = stored(samples, 4)
    assert np.abs(made.restored() - samples).max() <= 1.001 * LARGEST_ERROR


@pytest.mark.parametrize(
    ("channels", "left", "right"),
    [
        (1, [1.0], None),
        (2, [1.0, 0.0], [0.0, 1.0]),
        (3, [1.0, 0.0, 0.7071], [0.0, 1.0, 0.7071]),
        (4, [1.0, 0.0, 0.7071, 0.0], [0.0, 1.0, 0.0, 0.7071]),
        (5, [1.0, 0.0, 0.7071, 0.7071, 0.0], [0.0, 1.0, 0.7071, 0.0, 0.7071]),
        (6, [1.0, 0.0, 0.7071, 0.0, 0.7071, 0.0], [0.0, 1.0, 0.7071, 0.0, 0.0, 0.7071]),
    ],
)
def test_layouts_fold_to_two_by_bs775(channels: int, left: list[float], right: list[float] | None) -> None:
    """ITU-R BS.775-3 Annex 4, table 2 (from memory): centre and surrounds at 0.7071, the LFE left out."""
    got = folded(np.eye(channels, dtype=np.float32))
    assert got[:, 0] == pytest.approx(left, abs=1e-7)
    if right is not None:
        assert got[:, 1] == pytest.approx(right, abs=1e-7)
