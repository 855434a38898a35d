"""How is a master converted for a delivery? Sample rate by soxr, then word length with dither.

Conventions: blocks float32 (frames, channels) in and out. A converted rate gives ceil(frames · to / from)
frames, frame 0 in place (linear phase, its delay removed). An integer word length rounds to its steps with
triangular dither of two steps peak to peak (Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither",
JAES 40, 1992; from memory) and, as integers do, cuts at full scale; 16-bit values stay exact in float32, and
so do 24-bit ones. Any block size gives the same samples; the same input gives the same noise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.measure.segments import recut

Block = NDArray[np.float32]

QUALITY = "VHQ"
"""soxr's name for its best: pass band to 0.91 of half the lower rate, stop band below −170 dB (its
documentation)."""
SEED = 16


def convert_rate(blocks: Iterable[Block], from_rate: int, to_rate: int, channels: int) -> Iterator[Block]:
    """The stream at another sample rate; untouched, bit for bit, where the rates are equal."""
    if from_rate == to_rate:
        yield from blocks
        return
    import soxr

    stream = soxr.ResampleStream(from_rate, to_rate, channels, dtype="float32", quality=QUALITY)
    taken = given = 0
    for block in recut(blocks, channels):
        taken += block.shape[0]
        out = _shaped(stream.resample_chunk(block, last=False), channels)
        given += out.shape[0]
        yield out
    wanted = -(-taken * to_rate // from_rate)
    rest = _shaped(stream.resample_chunk(np.zeros((0, channels), np.float32), last=True), channels)
    missing = wanted - given
    if rest.shape[0] < missing:  # the last fraction of a frame, at most
        rest = np.concatenate([rest, np.zeros((missing - rest.shape[0], channels), np.float32)])
    if missing > 0:
        yield rest[:missing]


def convert_word_length(blocks: Iterable[Block], bits: int, channels: int) -> Iterator[Block]:
    """The stream in steps of an integer word of `bits` (at most 24), with dither."""
    random = np.random.default_rng(SEED)
    full = 2.0 ** (bits - 1)
    for block in recut(blocks, channels):
        noise = random.random((block.shape[0], channels, 2))
        steps = block.astype(np.float64) * full + noise[..., 0] - noise[..., 1]
        yield (np.clip(np.rint(steps), -full, full - 1.0) / full).astype(np.float32)


def _shaped(samples: NDArray[np.float32], channels: int) -> Block:
    return samples.reshape(-1, channels)
