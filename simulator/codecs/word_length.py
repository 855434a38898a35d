"""Word length of a delivery: rounded with dither; its rate is `dsp/resample`'s.

Conventions: blocks float32 (frames, channels) in and out. Rounds to the steps of an integer word with
triangular dither of two steps peak to peak (Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither", JAES
40, 1992; from memory) and, as integers do, cuts at full scale; 16- and 24-bit values stay exact in float32.
Any block size gives the same samples; the same input gives the same noise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.segments import recut

Block = NDArray[np.float32]

SEED = 16


def convert_word_length(blocks: Iterable[Block], bits: int, channels: int) -> Iterator[Block]:
    """The stream in steps of an integer word of `bits` (at most 24), with dither."""
    random = np.random.default_rng(SEED)
    full = 2.0 ** (bits - 1)
    for block in recut(blocks, channels):
        noise = random.random((block.shape[0], channels, 2))
        steps = block.astype(np.float64) * full + noise[..., 0] - noise[..., 1]
        yield (np.clip(np.rint(steps), -full, full - 1.0) / full).astype(np.float32)
