"""Lanes in memory, and a callback driven by hand, for tests of the deck."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import count

import numpy as np
from numpy.typing import NDArray

from simulator.deck.callback import Callback, LaneStretch, Order
from simulator.deck.shared_memory import MOST_LANES, RING_SECONDS, STATES, Cells

Audio = NDArray[np.float32]
RATE = 8_000
FADE = 40
"""5 ms at that rate."""
_serials = count(1)


def plain_cells(sample_rate: int) -> Cells:
    """The tables that the deck's processes share, in this process's own memory."""
    ring = np.zeros((RING_SECONDS * sample_rate, 2), np.float32)
    return Cells(np.zeros(STATES, np.int64), np.zeros((MOST_LANES, 4), np.int64), ring)


@dataclass
class HeldLanes:
    """Lanes by number: samples, and how many of them are ready (all of them where nothing is said)."""

    samples: dict[int, Audio]
    ready: dict[int, int] = field(default_factory=dict)

    def look(self, lane: int) -> tuple[Audio, int, int | None]:
        whole = self.samples[lane]
        ready = self.ready.get(lane, whole.shape[0])
        return whole, ready, whole.shape[0] if ready == whole.shape[0] else None


def noise(frames: int, seed: int) -> Audio:
    """Frames that are all different (frames, 2)."""
    return (0.1 * np.random.default_rng(seed).standard_normal((frames, 2))).astype(np.float32)


def order(*parts: LaneStretch, part: int = 0, frame: int | None = None, **more: object) -> Order:
    """An order with the next number; it begins at the part's beginning where no frame is given."""
    start = parts[part].first if frame is None else frame
    repeat = bool(more.pop("repeat", False))
    return Order(next(_serials), parts, repeat, part, start, **more)  # type: ignore[arg-type]


@dataclass
class Hand:
    """A callback, driven by hand; `played` is all that left it."""

    lanes: HeldLanes
    rate: int = RATE
    cells: Cells = field(init=False)
    callback: Callback = field(init=False)
    blocks: list[Audio] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.cells = plain_cells(self.rate)
        self.callback = Callback(self.lanes, self.cells, self.rate)

    def run(self, frames: int, sizes: Iterable[int] = (64,)) -> Audio:
        """Plays `frames` in blocks of these sizes, over and over; the new ones."""
        new = []
        sizes = list(sizes)
        turn = 0
        while frames > 0:
            block = np.full((min(sizes[turn % len(sizes)], frames), 2), np.nan, np.float32)
            self.callback.fill(block)
            new.append(block)
            frames -= block.shape[0]
            turn += 1
        self.blocks += new
        return np.concatenate(new)

    @property
    def played(self) -> Audio:
        return np.concatenate(self.blocks)
