"""Conversion of a version to another sample rate, and out of a slow drift, in one resampling.

The resampler is libsoxr at its highest quality (linear phase, its delay taken off), fed in pieces.
Conventions: samples float32 (frames, channels); frame 0 stays at time 0.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
NewArray = Callable[[int, int], Samples]
"""Gives an empty float32 array (frames, channels): in memory, or on scratch for long files."""

_PIECE = 1 << 17


def in_memory(frames: int, channels: int) -> Samples:
    return np.empty((frames, channels), dtype=np.float32)


def convert(
    samples: NDArray[np.floating],
    rate: int,
    wanted_rate: int,
    drift_ppm: float = 0.0,
    new_array: NewArray = in_memory,
) -> Samples:
    """`samples` at `wanted_rate`, read faster by `drift_ppm`, so that a version that has drifted by that
    much runs with the other again."""
    import soxr

    read_rate = rate * (1.0 + drift_ppm * 1e-6)
    frames, channels = samples.shape
    stream: Any = soxr.ResampleStream(read_rate, wanted_rate, channels, dtype="float32", quality="VHQ")
    out = new_array(int(np.ceil(frames * wanted_rate / read_rate)) + 1, channels)
    filled = 0
    for start in range(0, frames, _PIECE):
        piece = np.ascontiguousarray(samples[start : start + _PIECE], dtype=np.float32)
        done = stream.resample_chunk(piece, last=start + _PIECE >= frames)
        done = done[: out.shape[0] - filled]
        out[filled : filled + done.shape[0]] = done
        filled += done.shape[0]
    return out[:filled]
