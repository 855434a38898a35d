"""Rounding to integers with triangular dither: the one there is, for renders, deliveries and the page.

Source: triangular dither of two steps peak to peak makes the error independent of the signal in mean
and variance (Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither", JAES 40, 1992; from memory).
Conventions: float32 (frames, channels) in; `Dither24` gives int32 with the 24 bits in the upper places, as
libsndfile takes them (value · 2^8); full scale is 2^23 steps. The top step stands one below full scale, as
always in two's complement: a sample of exactly +1, or the dither at the very top, is held there, which is no
more of an error than the dither's own. What is above full scale `Dither24` refuses.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import WriteError
from simulator.common.units import format_time, gain_to_db

BITS = 24
SEED = 24
"""Renders are repeatable: the same input gives the same file."""


def dithered(
    samples: NDArray[np.floating], bits: int, random: np.random.Generator | None
) -> NDArray[np.float64]:
    """The nearest whole steps of an integer word of `bits` (at most 24), after dither from `random` (None:
    without); what is above full scale is cut there. Takes two numbers a sample from the generator."""
    full = 2.0 ** (bits - 1)
    steps = samples.astype(np.float64) * full
    if random is not None:
        noise = random.random((*samples.shape, 2))
        steps += noise[..., 0] - noise[..., 1]
    return np.clip(np.rint(steps), -full, full - 1.0)


class Dither24:
    """Turns one stream into integers, block by block; the noise does not depend on the blocks."""

    def __init__(self, sample_rate: int, *, dithered: bool = True) -> None:
        self._rate, self._frames = sample_rate, 0
        self._random = np.random.default_rng(SEED) if dithered else None

    def convert(self, samples: NDArray[np.float32]) -> NDArray[np.int32]:
        """The next block (frames, channels). Raises WriteError with the first place that is above full
        scale, or no number."""
        bad = np.flatnonzero(~(np.abs(samples) <= 1.0).all(axis=1))
        if bad.shape[0]:
            frame = int(bad[0])
            peak = gain_to_db(float(np.abs(samples[frame]).max())) or 0.0
            where = format_time((self._frames + frame) / self._rate)
            raise WriteError(
                f"24 bit would clip at {where} ({peak:+.2f} dBFS).",
                "Use --format float32, which keeps levels above full scale.",
            )
        whole = dithered(samples, BITS, self._random)
        self._frames += samples.shape[0]
        return whole.astype(np.int32) << 8
