"""24-bit integers carry the samples with an error that does not depend on them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.codecs import deliver
from simulator.common.errors import WriteError
from simulator.dsp import conversion
from simulator.dsp.conversion import Dither24
from simulator.page import clips

RATE = 44_100
STEPS = 2.0**23


def convert(samples: NDArray[np.float64], dithered: bool = True) -> NDArray[np.float64]:
    """The integers in steps of 24 bits."""
    whole = Dither24(RATE, dithered=dithered).convert(samples.astype(np.float32))
    assert whole.dtype == np.int32
    assert not np.any(whole & 0xFF)
    return whole.astype(np.float64) / 256.0


@pytest.mark.parametrize("offset", [0.0, 0.25, 0.5, 0.75])
def test_mean_and_variance_of_the_error_do_not_depend_on_the_signal(offset: float) -> None:
    """Triangular dither of two steps: mean 0, variance 1/4 step² (1/6 of the dither, 1/12 of rounding),
    whatever the place between two steps. 400 000 draws: four standard errors of the mean are 0.0032."""
    error = convert(np.full((200_000, 2), (1000 + offset) / STEPS)) - (1000 + offset)
    assert error.mean() == pytest.approx(0.0, abs=0.0032)
    assert error.var() == pytest.approx(0.25, abs=0.003)
    assert np.abs(error).max() <= 1.5


def test_a_tone_smaller_than_a_step_comes_through_only_with_dither() -> None:
    tone = 0.4 * np.sin(2 * np.pi * 1000 * np.arange(RATE) / RATE)[:, np.newaxis] / STEPS
    probe = np.exp(-2j * np.pi * 1000 * np.arange(RATE) / RATE) * 2 / RATE
    assert abs(convert(tone)[:, 0] @ probe) == pytest.approx(0.4, abs=0.02)
    assert not convert(tone, dithered=False).any()


def test_channels_get_different_noise() -> None:
    left, right = convert(np.zeros((100_000, 2))).T
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.02


def test_without_dither_24_bit_samples_come_back_exactly_and_others_are_rounded_not_cut() -> None:
    whole = np.random.default_rng(2).integers(-(2**23), 2**23, (10_000, 2)).astype(np.float64)
    assert np.array_equal(convert(whole / STEPS, dithered=False), whole)
    assert np.array_equal(convert(np.array([[1.6, -1.6]]) / STEPS, dithered=False), [[2.0, -2.0]])


def test_any_block_size_gives_the_same_integers() -> None:
    samples = np.random.default_rng(3).uniform(-1, 1, (10_000, 2)).astype(np.float32)
    whole = Dither24(RATE).convert(samples)
    parts = Dither24(RATE)
    pieces = [parts.convert(samples[start : start + 777]) for start in range(0, 10_000, 777)]
    assert np.array_equal(np.concatenate(pieces), whole)
    assert np.array_equal(Dither24(RATE).convert(samples), whole)


def test_full_scale_itself_is_held_at_the_top_step() -> None:
    rails = np.tile(np.array([[1.0, -1.0]]), (1000, 1))
    assert np.array_equal(convert(rails, dithered=False)[0], [2**23 - 1, -(2**23)])
    dithered = convert(rails)
    assert dithered.max() == 2**23 - 1
    assert dithered.min() == -(2**23)


@pytest.mark.parametrize("value", [1.122, -1.122])
def test_what_would_clip_is_refused_with_its_place_and_the_cure(value: float) -> None:
    samples = np.zeros((RATE, 2), dtype=np.float32)
    dither = Dither24(RATE)
    dither.convert(samples)
    samples[RATE // 2, 1] = value
    with pytest.raises(WriteError, match=r"clip at 0:01\.5 \(\+1\.00 dBFS\).*--format float32"):
        dither.convert(samples)


def tpdf(samples: NDArray[np.float32], bits: int, seed: int) -> NDArray[np.float64]:
    """Lipshitz, Wannamaker, Vanderkooy (JAES 40, 1992): the difference of two uniform numbers of one step is
    triangular, two steps peak to peak. Written out as when each kind of output dithered by itself."""
    full = 2.0 ** (bits - 1)
    noise = np.random.default_rng(seed).random((*samples.shape, 2))
    steps = samples.astype(np.float64) * full + noise[..., 0] - noise[..., 1]
    return np.clip(np.rint(steps), -full, full - 1.0)


def test_renders_deliveries_and_the_pages_sounds_have_the_same_dither_each_from_its_seed() -> None:
    samples = np.random.default_rng(8).uniform(-0.99, 0.99, (50_000, 2)).astype(np.float32)
    assert np.array_equal(Dither24(RATE).convert(samples) >> 8, tpdf(samples, 24, conversion.SEED))
    for bits in (16, 24):
        blocks = [samples[:777], samples[777:]]
        made = np.concatenate(list(deliver.convert_word_length(blocks, bits, 2)))
        assert np.array_equal(made, tpdf(samples, bits, deliver.SEED) / 2.0 ** (bits - 1))
    assert np.array_equal(clips.stored(samples, 5).samples, tpdf(samples, 16, 5))
