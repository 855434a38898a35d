"""Over events: how often the wave rises above the ceiling.

An event = places above the ceiling less than 10 ms apart, channels merged (the project's own
definition: it answers "how many moments", which a count of samples does not).
Positions are in quarter samples, as the true-peak meter gives them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import gain_to_db
from simulator.dsp.interpolation import SCREEN
from simulator.metering.measurement import OverEvent

JOIN_SECONDS = 0.010
KEPT = 100


class OverCollector:
    """Merges the places of all channels, segment after segment."""

    def __init__(self, sample_rate: int) -> None:
        self._per_second = SCREEN * sample_rate
        self._gap = JOIN_SECONDS * self._per_second
        self._open = _none()
        """The last event, which may go on (1, 3), or nothing (0, 3)."""
        self._closed = _none()
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
        found = np.stack([merged[begins], merged[ends], np.maximum.reduceat(levels, begins)], axis=1)
        if self._open.shape[0]:
            first, last, height = self._open[0]
            if found[0, 0] - last < self._gap:
                found[0] = first, max(last, found[0, 1]), max(height, found[0, 2])
            else:
                self._close(self._open)
        self._close(found[:-1])
        self._open = found[-1:]

    def _close(self, events: NDArray[np.float64]) -> None:
        self.count += events.shape[0]
        self._closed = np.concatenate([self._closed, events])
        if self._closed.shape[0] >= 40 * KEPT:
            self._closed = self._highest()

    def _highest(self) -> NDArray[np.float64]:
        return self._closed[np.lexsort((self._closed[:, 0], -self._closed[:, 2]))[:KEPT]]

    def finish(self) -> tuple[OverEvent, ...]:
        """The highest events (at most KEPT), in time order; `count` is then the whole number."""
        self._close(self._open)
        self._open = _none()
        return tuple(
            OverEvent(first / self._per_second, last / self._per_second, gain_to_db(top) or 0.0)
            for first, last, top in sorted(self._highest().tolist())
        )


def _none() -> NDArray[np.float64]:
    """Events as rows: first and last place, which float64 holds exactly up to 2^53, and highest level."""
    return np.zeros((0, 3))
