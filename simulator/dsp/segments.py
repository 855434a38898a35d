"""Fixed segments, cut from any stream, so that no result depends on the reader's block size.

The same samples meet the same arithmetic whatever the reader's blocks were, bit for bit. Blocks are float
arrays (frames, channels), or (frames,) for one channel; segments are C-ordered float32 (frames, channels).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

SEGMENT_FRAMES = 65536
"""Stereo float32 of this length is 512 KiB: a segment stays in a core's own cache."""
METER_FRAMES = 4 * SEGMENT_FRAMES
"""For the meters: the fewer the steps, the less the threads wait for Python's lock."""


def recut(
    blocks: Iterable[NDArray[np.floating]], channels: int, size: int = SEGMENT_FRAMES
) -> Iterator[NDArray[np.float32]]:
    """Segments of exactly `size` frames, the last one shorter. Raises ValueError where a block has another
    number of channels."""
    held: list[NDArray[np.float32]] = []
    held_frames = 0
    for raw in blocks:
        block = np.asarray(raw, dtype=np.float32)
        if block.ndim == 1:
            block = block[:, np.newaxis]
        if block.ndim != 2 or block.shape[1] != channels:
            raise ValueError(f"a block of shape {raw.shape} in a stream of {channels} channels")
        if not held_frames and block.shape[0] % size == 0:
            whole = block  # the usual case: the reader already cuts like this, so nothing is copied
        else:
            held.append(block)
            held_frames += block.shape[0]
            if held_frames < size:
                continue
            joined = np.concatenate(held) if len(held) > 1 else block
            cut = held_frames - held_frames % size
            whole, rest = joined[:cut], joined[cut:]
            held, held_frames = ([rest.copy()], rest.shape[0]) if rest.shape[0] else ([], 0)
        for start in range(0, whole.shape[0], size):
            yield np.ascontiguousarray(whole[start : start + size])
    if held_frames:
        yield np.ascontiguousarray(np.concatenate(held))


class Pieces:
    """Pieces of METER_FRAMES, cut from pushed blocks float32 (*lead, frames) of any length."""

    def __init__(self) -> None:
        self._blocks: list[NDArray[np.float32]] = []
        self.frames = 0
        """Frames that wait."""

    def push(self, block: NDArray[np.float32]) -> None:
        """The next frames."""
        self._blocks.append(block)
        self.frames += block.shape[-1]

    def complete(self) -> list[NDArray[np.float32]]:
        """The pieces that are complete; the frames after them go on waiting."""
        end = self.frames // METER_FRAMES * METER_FRAMES
        if not end:
            return []
        joined = np.concatenate(self._blocks, axis=-1)
        self._blocks, self.frames = [joined[..., end:].copy()], self.frames - end
        return [joined[..., start : start + METER_FRAMES] for start in range(0, end, METER_FRAMES)]

    def rest(self, lead: tuple[int, ...], size: int) -> NDArray[np.float32]:
        """The waiting frames, padded with `size` frames of silence and to a multiple of it."""
        padding = (-self.frames) % size + size
        return np.concatenate([*self._blocks, np.zeros((*lead, padding), np.float32)], axis=-1)


def edge_frames(first: int, last: int, sample_rate: int, steps_per_second: int) -> NDArray[np.int64]:
    """Frame numbers of the step edges first..last inclusive: edge k is at k/steps_per_second seconds,
    to the nearest whole frame (where a rate does not divide, steps differ by one frame)."""
    index = np.arange(first, last + 1, dtype=np.int64)
    return (2 * index * sample_rate + steps_per_second) // (2 * steps_per_second)


def step_of(frame: int, sample_rate: int, steps_per_second: int) -> int:
    """The number of the step that contains a frame, consistent with `edge_frames`."""
    # the largest k with edge(k) <= frame; edge(k) <= n  <=>  2·k·fs + s < 2·s·(n + 1)
    return (2 * steps_per_second * (frame + 1) - steps_per_second - 1) // (2 * sample_rate)
