"""Delay of a decode against its master, in frames, by cross-correlation.

While the master goes into the encoder its loudest segment is kept; the same frames of the decode are laid
against it, both differentiated so that the peak is sharp (as they are, where a codec has thrown away too
much of the treble for that). A shift is believed only where the correlation
there is clearly above that at 0 (music that repeats each few samples, or noise that the codec replaced,
tells nothing).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.segments import recut

Block = NDArray[np.float32]

CLEARLY = 0.03
"""By how much of the two energies' mean a shifted correlation must exceed the one at 0."""
ALIKE = 0.3
"""Below this correlation at its best nothing can be said."""


class DelayFinder:
    """Watches a master on its way in (`master`) and its decode on the way out (`decoded`)."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._best, self._at = -1.0, 0
        self._kept: Block = np.zeros((0, channels), dtype=np.float32)
        self._found: list[Block] = []

    def master(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """Passes the master on."""
        position = 0
        for block in recut(blocks, self._channels):
            energy = float(np.vdot(block, block))
            if energy > self._best:
                self._best, self._at, self._kept = energy, position, block.copy()
            position += block.shape[0]
            yield block

    def decoded(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """Passes the decode on."""
        position, first, last = 0, self._at, self._at + self._kept.shape[0]
        for block in blocks:
            begin, end = max(first - position, 0), min(last - position, block.shape[0])
            if begin < end:
                self._found.append(block[begin:end].copy())
            position += block.shape[0]
            yield block

    def shift_frames(self) -> int | None:
        """By how many frames the decode lies late (negative: early); None where it cannot be told."""
        if not self._found:
            return None
        decoded = np.concatenate(self._found)
        return shift_between(self._kept[: decoded.shape[0]], decoded)


def shift_between(master: Block, decoded: Block) -> int | None:
    """The shift of two arrays (frames, channels) of one length; None where it cannot be told."""
    if master.shape[0] < 256:
        return None
    loudest = int(np.argmax(np.einsum("ij,ij->j", master, master)))
    first, second = master[:, loudest], decoded[:, loudest]
    sharp = _best_shift(np.diff(first), np.diff(second))
    return _best_shift(first, second) if sharp is None else sharp


def _best_shift(first: NDArray[np.float32], second: NDArray[np.float32]) -> int | None:
    scale = float(np.sqrt(np.dot(first, first) * np.dot(second, second)))
    if scale <= 0.0:
        return None
    size = 2 ** int(np.ceil(np.log2(2 * first.shape[0])))
    spectrum = np.fft.rfft(second, size) * np.conj(np.fft.rfft(first, size))
    correlation = np.fft.irfft(spectrum, size) / scale
    place = int(np.argmax(correlation))
    if correlation[place] < ALIKE:
        return None
    if correlation[place] - correlation[0] < CLEARLY:
        return 0
    return place if place < size // 2 else place - size
