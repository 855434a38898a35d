"""Numbers in shared memory, by which the processes of a deck know of each other without waiting.

The memory has no name and no file that could be left behind. There are three tables, each with one writer:
the deck's state (the callback), the lanes' state (their renderer), and the ring of the last frames that left
(the callback). A state is written between two steps of a counter, so that a reader knows whether it has read
one moment.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

RING_SECONDS = 5
HIGHEST_RATE = 192_000
MOST_LANES = 4096
(COUNTER, SERIAL, PART, FRAME, CLOCK, PLAYING, ENDED, WAITING, STARVED, UNDERFLOWS, CALLBACKS, WRITTEN) = (
    range(12)
)
STATES = 16
READY, TOTAL, GENERATION, FAILED = range(4)
"""Columns of the lanes' table: frames that can be read; one more than the frames in all, 0 until they are
known; how often it was begun anew; 1 where it cannot be made (then its total is what was made)."""
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
        return State(
            values[SERIAL],
            values[PART],
            values[FRAME],
            values[CLOCK],
            bool(values[PLAYING]),
            bool(values[ENDED]),
            bool(values[WAITING]),
            values[STARVED] + values[UNDERFLOWS],
            values[CALLBACKS],
        )

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
