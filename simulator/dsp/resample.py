"""Resampling of a stream: the last step of the chain, after any limiting.

Conventions: blocks float32 (frames, channels); no delay, the first frame stays the first; N frames become
N · to / from, to the nearest whole number. At the same rate the samples pass untouched, bit for bit. The
blocks are cut anew first, so the samples do not depend on the reader's block size. A wave that was held at a
ceiling at the one rate may pass it a little at the samples of the other: nothing holds it again.
Source: the SoX resampler (soxr), its "very high quality" recipe; linear phase.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.segments import recut

QUALITY = "VHQ"


def resampled_frames(frames: int, from_rate: int, to_rate: int) -> int:
    """How many frames `frames` become."""
    return (2 * frames * to_rate + from_rate) // (2 * from_rate)


def resample(
    blocks: Iterable[NDArray[np.floating]], channels: int, from_rate: int, to_rate: int
) -> Iterator[NDArray[np.float32]]:
    """The stream at `to_rate` (Hz), as blocks (frames, channels) of other sizes. Raises ValueError where a
    block has another number of channels."""
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
