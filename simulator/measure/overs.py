"""How often does the wave rise above the ceiling? Over events from single places.

An event = places above the ceiling less than 10 ms apart, channels merged (the project's own
definition: it answers "how many moments", which a count of samples does not).
Positions are in quarter samples, as the true-peak meter gives them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.measure.interpolation import SCREEN
from simulator.measure.measurement import OverEvent
from simulator.units import gain_to_db

JOIN_SECONDS = 0.010
KEPT = 100


class OverCollector:
    """Merges the places of all channels, segment after segment."""

    def __init__(self, sample_rate: int) -> None:
        self._per_second = SCREEN * sample_rate
        self._gap = JOIN_SECONDS * self._per_second
        self._open: tuple[int, int, float] | None = None
        self._kept: list[tuple[int, int, float]] = []
        self.count = 0

    def add(self, places: Sequence[NDArray[np.int64]], peaks: Sequence[NDArray[np.float32]]) -> None:
        """Takes one segment's places, an array a channel; every place lies after all earlier segments'."""
        merged = np.concatenate(places)
        if not merged.shape[0]:
            return
        order = np.argsort(merged, kind="stable")
        merged, levels = merged[order], np.concatenate(peaks)[order]
        begins = np.concatenate([[0], np.flatnonzero(np.diff(merged) >= self._gap) + 1])
        ends = np.concatenate([begins[1:], [merged.shape[0]]]) - 1
        tops = np.maximum.reduceat(levels, begins)
        for begin, end, top in zip(merged[begins], merged[ends], tops, strict=True):
            self._join(int(begin), int(end), float(top))

    def _join(self, begin: int, end: int, top: float) -> None:
        if self._open is not None:
            first, last, height = self._open
            if begin - last < self._gap:
                self._open = (first, max(last, end), max(height, top))
                return
            self._close(self._open)
        self._open = (begin, end, top)

    def _close(self, event: tuple[int, int, float]) -> None:
        self.count += 1
        self._kept.append(event)
        if len(self._kept) >= 40 * KEPT:
            self._kept = self._highest()

    def _highest(self) -> list[tuple[int, int, float]]:
        return sorted(self._kept, key=lambda event: (-event[2], event[0]))[:KEPT]

    def finish(self) -> tuple[OverEvent, ...]:
        """The highest events (at most KEPT), in time order; `count` is then the whole number."""
        if self._open is not None:
            self._close(self._open)
            self._open = None
        return tuple(
            OverEvent(first / self._per_second, last / self._per_second, gain_to_db(top) or 0.0)
            for first, last, top in sorted(self._highest())
        )
