"""The word length of a delivery: whole steps, dither as the theory says, whatever the reader's blocks."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.codecs.deliver import convert_word_length


def sine(frequency_hz: float, rate: int, seconds: float = 1.0, level_dbfs: float = -6.0):  # type: ignore[no-untyped-def]
    return signals.both(signals.sine(frequency_hz, rate, seconds, level_dbfs)).astype(np.float32)


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
