"""Conversions for a delivery: rate in place, word length with dither, whatever the reader's blocks."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.shell.converting import convert_rate, convert_word_length


def sine(frequency_hz: float, rate: int, seconds: float = 1.0, level_dbfs: float = -6.0):  # type: ignore[no-untyped-def]
    return signals.both(signals.sine(frequency_hz, rate, seconds, level_dbfs)).astype(np.float32)


@pytest.mark.parametrize(
    ("rate", "to"), [(44_100, 48_000), (96_000, 44_100), (192_000, 48_000), (8_000, 44_100)]
)
def test_a_converted_sine_is_the_sine_at_the_new_rate_in_place(rate: int, to: int) -> None:
    """Against the definition: within 1e-5 of the same sine sampled there, away from its hard edges."""
    given = np.concatenate(list(convert_rate([sine(997.0, rate)], rate, to, 2)))
    wanted = sine(997.0, to)
    assert given.shape == wanted.shape
    middle = slice(to // 10, -to // 10)
    assert np.abs(given[middle] - wanted[middle]).max() < 1e-5


@pytest.mark.parametrize("frames", [1, 2, 1001, 65_536, 65_537])
@pytest.mark.parametrize(("rate", "to"), [(44_100, 48_000), (48_000, 44_100)])
def test_the_length_is_the_next_whole_frame_and_blocks_do_not_matter(frames: int, rate: int, to: int) -> None:
    samples = sine(300.0, rate, 2.0)[:frames]
    whole = np.concatenate(list(convert_rate([samples], rate, to, 2)))
    pieces = [samples[at : at + 777] for at in range(0, frames, 777)]
    assert whole.shape[0] == -(-frames * to // rate)
    assert np.array_equal(whole, np.concatenate(list(convert_rate(pieces, rate, to, 2))))


def test_the_same_rate_keeps_every_bit() -> None:
    samples = sine(300.0, 48_000)
    (given,) = convert_rate([samples], 48_000, 48_000, 2)
    assert given is samples


@pytest.mark.parametrize("bits", [16, 24])
def test_dither_leaves_whole_steps_and_an_error_as_the_theory_says(bits: int) -> None:
    """Triangular dither: error without mean, of variance 1/12 + 2/12 of a step squared, whatever the
    signal (Lipshitz, Wannamaker, Vanderkooy 1992; from memory)."""
    samples = sine(997.0, 48_000, 4.0, -60.0)
    full = 2.0 ** (bits - 1)
    given = np.concatenate(list(convert_word_length([samples], bits, 2))).astype(np.float64)
    steps = given * full
    assert np.array_equal(steps, np.rint(steps))
    error = steps - samples.astype(np.float64) * full
    assert abs(error.mean()) < 0.005
    assert error.var() == pytest.approx(0.25, rel=0.02)
    pieces = [samples[at : at + 1000] for at in range(0, samples.shape[0], 1000)]
    assert np.array_equal(given, np.concatenate(list(convert_word_length(pieces, bits, 2))))


def test_a_tone_below_the_last_bit_survives_dithering() -> None:
    """At half a step of 16 bits: plain rounding would leave silence or a square."""
    level = 20.0 * np.log10(0.5 * 2.0**-15)
    samples = sine(1000.0, 48_000, 4.0, level)
    given = np.concatenate(list(convert_word_length([samples], 16, 2)))[:, 0]
    there = 2.0 * np.abs(np.fft.rfft(given)[4000]) / given.shape[0]
    assert 20.0 * np.log10(there) == pytest.approx(level, abs=0.3)


def test_integers_cut_at_full_scale() -> None:
    given = np.concatenate(list(convert_word_length([sine(997.0, 48_000, level_dbfs=3.0)], 16, 2)))
    assert given.max() == np.float32(1.0 - 2.0**-15)
    assert given.min() == -1.0
