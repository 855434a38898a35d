"""Shared memory of a deck's processes: their states, and lanes mapped for the callback.

The memory has no name and leaves no file. Three tables, each with one writer: the deck's state and the ring
of the last frames played (the callback), and the lanes' state (their renderer). A state is written between
two steps of a counter, so that a reader knows whether it has read one moment.

Lanes are mapped around the playing position and read ahead, so that the callback never reads the disk; what
was played is released, so that hours of music do not become private memory.
"""

from __future__ import annotations

import ctypes
import io
import mmap
import os
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

RING_SECONDS = 5
HIGHEST_RATE = 192_000
MOST_LANES = 4096
COUNTER, SERIAL, CLOCK, STARVED, UNDERFLOWS, CALLBACKS, WRITTEN = 0, 1, 4, 8, 9, 10, 11
"""Places in the deck's state: from SERIAL on the fields of `State`, where STARVED and UNDERFLOWS are the two
kinds of dropouts; WRITTEN counts the frames in the ring."""
STATES = 16
READY, TOTAL, GENERATION, FAILED = range(4)
"""Columns of the lanes' table: frames that can be read; one more than the frames in all, 0 until they are
known; how often it was restarted; 1 where it cannot be made (then its total is what was made)."""
Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class State:
    """What the callback last said."""

    serial: int
    part: int
    frame: int
    clock: int
    playing: bool
    ended: bool
    waiting: bool
    dropouts: int
    callbacks: int


class Shared:
    """The raw memory, as it is handed to a spawned process."""

    def __init__(self, context: Any) -> None:
        self._states = context.RawArray(ctypes.c_int64, STATES)
        self._lanes = context.RawArray(ctypes.c_int64, MOST_LANES * 4)
        self._ring = context.RawArray(ctypes.c_float, RING_SECONDS * HIGHEST_RATE * 2)

    def cells(self, sample_rate: int) -> Cells:
        """The tables as arrays, in this process, the ring for this rate."""
        return Cells(
            np.frombuffer(self._states, np.int64),
            np.frombuffer(self._lanes, np.int64).reshape(MOST_LANES, 4),
            np.frombuffer(self._ring, np.float32).reshape(-1, 2)[: RING_SECONDS * sample_rate],
        )


@dataclass(frozen=True, slots=True)
class Cells:
    """The three tables: `states` (16,), `lanes` (lane, 4), `ring` (frames, 2)."""

    states: Numbers
    lanes: Numbers
    ring: NDArray[np.float32]

    def read(self) -> State:
        """One moment of the deck's state."""
        for _ in range(1000):
            before = int(self.states[COUNTER])
            values = self.states.tolist()
            if before % 2 == 0 and int(self.states[COUNTER]) == before:
                break
        serial, part, frame, clock, *flags, starved, underflows, callbacks = values[SERIAL:WRITTEN]
        playing, ended, waiting = map(bool, flags)
        return State(serial, part, frame, clock, playing, ended, waiting, starved + underflows, callbacks)

    def total(self, lane: int) -> int | None:
        """How long a lane is; None until that is known."""
        found = int(self.lanes[lane, TOTAL])
        return found - 1 if found else None

    def add_to_ring(self, block: NDArray[np.float32]) -> None:
        """Keeps what left (frames, 2)."""
        size = self.ring.shape[0]
        at = int(self.states[WRITTEN]) % size
        head = min(block.shape[0], size - at)
        self.ring[at : at + head] = block[:head]
        if head < block.shape[0]:
            self.ring[: block.shape[0] - head] = block[head:]
        self.states[WRITTEN] += block.shape[0]

    def recent(self, frames: int) -> NDArray[np.float32]:
        """A copy of the last `frames` (or as many as there are), the newest last."""
        size = self.ring.shape[0]
        end = int(self.states[WRITTEN])
        # the callback writes on while this copies: stay a second away from where it writes next
        count = min(frames, end, size - size // RING_SECONDS)
        place = np.arange(end - count, end) % size
        return np.asarray(self.ring[place], dtype=np.float32)


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
        for lane in [lane for lane, mapped in self._mapped.items() if now - mapped.wanted_at > GRACE_SECONDS]:
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
