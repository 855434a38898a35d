"""Audible difference of two versions: the residual, or one of its two parts, as samples.

Conventions: blocks float32 (frames, channels) at the open version's rate, in all as many frames as the open
version has: each moment stands where it stands there, silence outside the common part. Not weighted; the
match and the gain curve are those of the measured difference. It is as loud as it is: no gain is put on.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulator.comparison.difference_measure import Matched
from simulator.dsp.segments import SEGMENT_FRAMES

Part = Literal["residual", "gain_riding", "waveform_change"]


def difference_blocks(matched: Matched, part: Part = "residual") -> Iterator[NDArray[np.float32]]:
    """The difference, open − gain·other, or the part of it that is named."""
    pair = matched.pair
    channels = pair.open_samples.shape[1]
    yield from _silence(pair.start, channels)
    for at, ours, theirs in pair.blocks():
        if part == "residual":
            block = ours - np.float32(matched.gain) * theirs
        else:
            moving = matched.curve.over(at, ours.shape[1])
            if part == "gain_riding":
                block = (moving - matched.gain).astype(np.float32) * theirs
            else:
                block = ours - moving.astype(np.float32) * theirs
        yield np.ascontiguousarray(block.T)
    yield from _silence(pair.open_samples.shape[0] - pair.end, channels)


def _silence(frames: int, channels: int) -> Iterator[NDArray[np.float32]]:
    for start in range(0, frames, SEGMENT_FRAMES):
        yield np.zeros((min(SEGMENT_FRAMES, frames - start), channels), dtype=np.float32)
