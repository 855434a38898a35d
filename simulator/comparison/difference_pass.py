"""The two versions side by side: the common part in K-weighted blocks.

The second version is read at its place (between the samples where it must be), its polarity put right.
Conventions: blocks float32 (channels, frames), at the first version's rate; channels that BS.1770 does not
count (LFE) are left out of the weighted blocks, and the surround weight is in them already, as its root.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import channel_weights
from simulator.comparison.align import Aligned, same_channels
from simulator.dsp.fractional_delay import read
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import SEGMENT_FRAMES

Block = NDArray[np.float32]
PART_FRAMES = 1 << 20
"""A multiple of SEGMENT_FRAMES; fixed, so that the result does not depend on how many are worked on
together."""


@dataclass(frozen=True, slots=True)
class Pair:
    """The open version (frames, channels) and the other one as `align_and_move` or `lay_over` gives it."""

    open_samples: NDArray[np.floating]
    other: NDArray[np.floating]
    sample_rate: int
    place: float
    polarity: int
    start: int
    """First frame of the common part in the open version, and the frame after its last."""
    end: int
    parts_held: tuple[tuple[int, int], ...] = ()
    """Frames of the open version that an edited other one holds; elsewhere there is silence in both. Empty
    where it holds all of the common part."""

    @property
    def held_frames(self) -> int:
        """Frames that are compared."""
        return sum(end - start for start, end in self.parts_held) if self.parts_held else self.frames

    @property
    def frames(self) -> int:
        return self.end - self.start

    def parts(self) -> list[range]:
        """The common part in pieces that can be worked on at the same time; frames from its start."""
        return [range(at, min(at + PART_FRAMES, self.frames)) for at in range(0, self.frames, PART_FRAMES)]

    def blocks(self, part: range | None = None) -> Iterator[tuple[int, Block, Block]]:
        """(frames from the start of the common part, open, other), samples as they are; of one part, or
        of the whole."""
        stretch = range(self.frames) if part is None else part
        for at in range(stretch.start, stretch.stop, SEGMENT_FRAMES):
            count = min(SEGMENT_FRAMES, stretch.stop - at)
            ours = read(self.open_samples, float(self.start + at), count)
            self._silence_edits(ours, self.start + at)
            theirs = read(self.other, self.start + at + self.place, count)
            yield at, ours, theirs if self.polarity > 0 else np.negative(theirs)

    def _silence_edits(self, ours: Block, at: int) -> None:
        if not self.parts_held:
            return
        held = np.zeros(ours.shape[1], dtype=bool)
        for start, end in self.parts_held:
            held[max(0, start - at) : max(0, end - at)] = True
        ours[:, ~held] = 0.0

    def weighted(self, part: range) -> Iterator[tuple[int, Block, Block]]:
        """One part, K-weighted. The filters start a segment earlier (they forget within 50 ms)."""
        weights = channel_weights(self.open_samples.shape[1])
        counted = [channel for channel, weight in enumerate(weights) if weight]
        filters = [[KWeighting(self.sample_rate) for _ in counted] for _ in range(2)]
        warm = max(0, part.start - SEGMENT_FRAMES)
        for at, *both in self.blocks(range(warm, part.stop)):
            out = np.empty((2, len(counted), both[0].shape[1]), dtype=np.float32)
            for side, block in enumerate(both):
                for index, channel in enumerate(counted):
                    out[side, index] = filters[side][index].filter(block[channel])
                    if weights[channel] != 1.0:
                        out[side, index] *= np.float32(weights[channel] ** 0.5)
            if at >= part.start:
                yield at, out[0], out[1]


def pair_of(open_samples: NDArray[np.floating], aligned: Aligned) -> Pair:
    """The common part of the open version and an aligned other one. Raises ValueError where the
    alignment has no place."""
    found = aligned.alignment
    if found.polarity is None:
        raise ValueError("versions without a place have no difference")
    ours, _ = same_channels(open_samples, aligned.moved)
    start = max(0, int(np.ceil(-aligned.place)))
    end = min(ours.shape[0], int(np.floor(aligned.moved.shape[0] - aligned.place)))
    if aligned.parts:
        start, end = aligned.parts[0][0], aligned.parts[-1][1]
    end = max(start, end)
    return Pair(
        ours, aligned.moved, found.first_rate, aligned.place, found.polarity, start, end, aligned.parts
    )
