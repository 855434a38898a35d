"""Lanes mapped into memory, and read ahead of the playing place: no disk read in the callback.

Only the lanes around the place are mapped, and what was played is let go, so that hours of music do not
become private memory: the pages stay in the system's cache.
"""

from __future__ import annotations

import io
import mmap
import os
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.deck.shared_state import GENERATION, READY, Cells

FRAME_BYTES = 8
AHEAD_SECONDS, STEP_SECONDS = 4.0, 0.5
LET_GO_SECONDS = 20.0
GRACE_SECONDS = 1.0
_NOTHING = np.zeros((0, 2), np.float32)


def lane_path(folder: Path, lane: int, generation: int) -> Path:
    """Where a lane lies: float32, two channels, nothing else."""
    return folder / f"lane-{lane}-{generation}.f32"


@dataclass(slots=True)
class _Mapped:
    generation: int
    file: io.FileIO
    memory: mmap.mmap
    samples: NDArray[np.float32]
    warm_from: int = 0
    warm_to: int = 0
    wanted_at: float = 0.0
    beginnings: set[int] = field(default_factory=set)


class MappedLanes:
    """The lanes of one scratch folder, as the callback sees them."""

    def __init__(self, folder: Path, cells: Cells, sample_rate: int) -> None:
        self._folder, self._cells, self._rate = folder, cells, sample_rate
        self._mapped: dict[int, _Mapped] = {}
        self._buffer = bytearray(round(STEP_SECONDS * sample_rate) * FRAME_BYTES)

    def look(self, lane: int) -> tuple[NDArray[np.float32], int, int | None]:
        """Samples, how many can be read, the lane's length. Called by the callback: takes no lock."""
        mapped = self._mapped.get(lane)
        table = self._cells.lanes
        total = self._cells.total(lane)
        if mapped is None or mapped.generation != table[lane, GENERATION]:
            return _NOTHING, 0, total
        return mapped.samples, min(int(table[lane, READY]), mapped.samples.shape[0]), total

    def keep(self, lanes: Iterable[int]) -> None:
        """Maps these lanes, as far as they are made, and lets others go a while after they were wanted: the
        callback may just be about to take one of them."""
        now = time.monotonic()
        for lane in set(lanes):
            self._map(lane)
            if lane in self._mapped:
                self._mapped[lane].wanted_at = now
        for lane in [lane for lane, one in self._mapped.items() if now - one.wanted_at > GRACE_SECONDS]:
            self._mapped.pop(lane).file.close()

    def close(self) -> None:
        """Lets all go."""
        while self._mapped:
            self._mapped.popitem()[1].file.close()

    def warm(self, lane: int, frame: int, seconds: float = AHEAD_SECONDS) -> None:
        """Has the system read what comes from `frame` on. The reading does not hold Python's lock."""
        mapped = self._mapped.get(lane)
        if mapped is None:
            return
        end = min(frame + round(seconds * self._rate), int(self._cells.lanes[lane, READY]))
        if not mapped.warm_from <= frame <= mapped.warm_to:
            self._let_go(mapped, frame)
            mapped.warm_to = frame
        while mapped.warm_to < end:
            got = self._read(mapped, mapped.warm_to, end)
            if not got:
                return
            mapped.warm_to += got
        if frame - mapped.warm_from > LET_GO_SECONDS * self._rate:
            self._let_go(mapped, frame)

    def warm_beginning(self, lane: int, frame: int) -> None:
        """Has the first half second after `frame` read, once: where the next part begins."""
        mapped = self._mapped.get(lane)
        if mapped is None or frame in mapped.beginnings:
            return
        if self._read(mapped, frame, int(self._cells.lanes[lane, READY])):
            mapped.beginnings.add(frame)

    def _read(self, mapped: _Mapped, first: int, end: int) -> int:
        """Reads a piece and forgets it; how many frames."""
        wanted = max(min(len(self._buffer), (end - first) * FRAME_BYTES), 0)
        mapped.file.seek(first * FRAME_BYTES)
        return (mapped.file.readinto(memoryview(self._buffer)[:wanted]) or 0) // FRAME_BYTES

    def _let_go(self, mapped: _Mapped, frame: int) -> None:
        """Takes what is mapped out of this process's memory; the next look finds it in the system's cache."""
        if hasattr(mmap, "MADV_DONTNEED"):
            mapped.memory.madvise(mmap.MADV_DONTNEED)
        mapped.warm_from = frame

    def _map(self, lane: int) -> None:
        table = self._cells.lanes
        generation, ready = int(table[lane, GENERATION]), int(table[lane, READY])
        have = self._mapped.get(lane)
        if have is not None and have.generation == generation and have.samples.shape[0] >= ready:
            return
        if not ready:
            return
        try:
            file = io.FileIO(lane_path(self._folder, lane, generation))
        except OSError:  # taken away a moment ago; looked for again
            return
        frames = os.fstat(file.fileno()).st_size // FRAME_BYTES
        memory = mmap.mmap(file.fileno(), frames * FRAME_BYTES, access=mmap.ACCESS_READ)
        samples = np.frombuffer(memory, np.float32).reshape(-1, 2)
        self._mapped[lane] = _Mapped(generation, file, memory, samples)
        if have is not None:
            have.file.close()
