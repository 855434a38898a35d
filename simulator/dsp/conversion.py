"""Conversion of sample rate and of word length: resampling, and rounding with triangular dither.

Blocks are float32 (frames, channels).
- Resampling is the last step of the chain, after any limiting: no delay; N frames become N · to / from,
  rounded. At the same rate the samples pass untouched, bit for bit. A wave limited at one rate may exceed the
  ceiling a little at the other; nothing limits it again. Source: the SoX resampler (soxr), "very high
  quality", linear phase.
- Triangular dither of two steps peak to peak makes the error independent of the signal in mean and variance
  (Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither", JAES 40, 1992; from memory). The top step is
  one below full scale (two's complement): a sample of exactly +1, or dither at the very top, is held there,
  an error no larger than the dither's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import WriteError
from simulator.common.units import format_time, gain_to_db
from simulator.dsp.segments import recut

QUALITY = "VHQ"


def resampled_frames(frames: int, from_rate: int, to_rate: int) -> int:
    """How many frames `frames` become after resampling."""
    return (2 * frames * to_rate + from_rate) // (2 * from_rate)


def resample(
    blocks: Iterable[NDArray[np.floating]], channels: int, from_rate: int, to_rate: int
) -> Iterator[NDArray[np.float32]]:
    """The stream at `to_rate` (Hz), in blocks of other sizes. Raises ValueError where a block has another
    number of channels."""
    if from_rate == to_rate:
        yield from recut(blocks, channels)
        return
    import soxr

    stream = soxr.ResampleStream(from_rate, to_rate, channels, dtype="float32", quality=QUALITY)
    for block in recut(blocks, channels):
        out = stream.resample_chunk(block)
        if out.shape[0]:
            yield np.asarray(out, dtype=np.float32)
    rest = stream.resample_chunk(np.zeros((0, channels), dtype=np.float32), last=True)
    if rest.shape[0]:
        yield np.asarray(rest, dtype=np.float32)


BITS = 24
SEED = 24
"""Renders are repeatable: the same input gives the same file."""


def dithered(
    samples: NDArray[np.floating], bits: int, random: np.random.Generator | None
) -> NDArray[np.float64]:
    """The samples as whole steps of a word of `bits` (up to 24), with dither from `random` (None: without),
    clipped to full scale. Takes two numbers per sample from the generator."""
    full = 2.0 ** (bits - 1)
    steps = samples.astype(np.float64) * full
    if random is not None:
        noise = random.random((*samples.shape, 2))
        steps += noise[..., 0] - noise[..., 1]
    return np.clip(np.rint(steps), -full, full - 1.0)


class Dither24:
    """Dithers one stream to 24 bits, block by block; the noise does not depend on the block sizes."""

    def __init__(self, sample_rate: int, *, dithered: bool = True) -> None:
        self._rate, self._frames = sample_rate, 0
        self._random = np.random.default_rng(SEED) if dithered else None

    def convert(self, samples: NDArray[np.float32]) -> NDArray[np.int32]:
        """The next block as int32 with the 24 bits in the upper places (value · 2^8), as libsndfile takes
        them. Raises WriteError at the first sample above full scale, or that is not a number."""
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
