"""Raised-cosine fades: sound starts, stops and changes level without a click.

5 ms, as ITU-R BS.1534-3, section 5.3, asks at every switch and loop; the demo's sounds use other lengths.
Curves are float32 (frames, 1), to multiply blocks (frames, channels) by.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import seconds_to_frames

FADE_SECONDS = 0.005
Curve = NDArray[np.float32]


def fade_frames(sample_rate: int) -> int:
    """Frames of a 5 ms fade."""
    return seconds_to_frames(FADE_SECONDS, sample_rate)


@lru_cache(maxsize=64)
def rise(length: int) -> Curve:
    """From nearly 0 to nearly 1 (length, 1); reversed it is the fade-out."""
    return rising(0, length, length)


def rising(first: int, end: int, length: int) -> Curve:
    """Values `first` to `end` of a rise of `length`, without computing all of it (for slow ramps)."""
    place = np.arange(first, end, dtype=np.float64)
    curve = 0.5 - 0.5 * np.cos(np.pi * (place + 0.5) / length)
    return curve.astype(np.float32)[:, np.newaxis]


class Gate:
    """Fades sound in and out around every change; `level` of `length` steps is how far it is open."""

    def __init__(self, length: int) -> None:
        self._length = length
        self._rise = rise(length)
        self.level = 0

    @property
    def closed(self) -> bool:
        return self.level == 0

    def open_at_once(self) -> None:
        """For audio with its own start."""
        self.level = self._length

    def close_at_once(self) -> None:
        """For audio that has ended by itself."""
        self.level = 0

    def until_moved(self, closing: bool) -> int | None:
        """Frames left until it is open or closed; None where it is open already."""
        return self.level if closing else self._length - self.level or None

    def pass_through(self, block: NDArray[np.float32], closing: bool) -> None:
        """Scales the block in place and moves on, by no more frames than `until_moved`."""
        count = block.shape[0]
        if closing:
            block *= self._rise[self.level - count : self.level][::-1]
            self.level -= count
        elif self.level < self._length:
            block *= self._rise[self.level : self.level + count]
            self.level += count


class Level:
    """A gain that moves to a new value along a raised cosine."""

    def __init__(self, gain: float = 1.0) -> None:
        self._from = self._to = gain
        self._at = self._length = 0

    @property
    def gain(self) -> float:
        """The gain now."""
        if self._at >= self._length:
            return self._to
        share = 0.5 - 0.5 * np.cos(np.pi * self._at / self._length)
        return float(self._from + (self._to - self._from) * share)

    def move(self, gain: float, length: int) -> None:
        """Starts to move to `gain`, over `length` frames."""
        self._from, self._to, self._at, self._length = self.gain, gain, 0, length

    def apply(self, block: NDArray[np.float32]) -> None:
        """Scales the block in place and moves on. A gain of 1 leaves the bits alone."""
        moving = min(max(self._length - self._at, 0), block.shape[0])
        if moving:
            curve = rising(self._at, self._at + moving, self._length)
            block[:moving] *= np.float32(self._from) + np.float32(self._to - self._from) * curve
            self._at += moving
        if moving < block.shape[0] and self._to != 1.0:
            block[moving:] *= np.float32(self._to)
