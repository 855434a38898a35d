"""Meter of what leaves the program, held for the eye: peaks stay for three seconds."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from simulator.metering.live import WANTED_SECONDS, Reading, read_live

HOLD_SECONDS = 3.0
EACH_SECONDS = 0.2
"""The meter looks five times a second: its windows of 400 ms still overlap."""


class DeskMeter:
    """Reads `recent(seconds)`, float32 (frames, 2) at `rate`, and holds the peak. `clock` is in seconds."""

    def __init__(
        self, recent: Callable[[float], NDArray[np.float32]], rate: int, clock: Callable[[], float]
    ) -> None:
        self._recent, self._rate, self._clock = recent, rate, clock
        self._peaks: deque[tuple[float, float]] = deque()
        self._looked_at: float | None = None
        self.reading = Reading()

    def look(self) -> Reading:
        """The reading now; worked out anew at most every EACH_SECONDS."""
        now = self._clock()
        if self._looked_at is not None and 0.0 <= now - self._looked_at < EACH_SECONDS - 0.01:
            return self.reading
        self._looked_at = now
        found = read_live(self._recent(WANTED_SECONDS), self._rate)
        if found.true_peak_dbtp is not None:
            self._peaks.append((now, found.true_peak_dbtp))
        while self._peaks and not 0.0 <= now - self._peaks[0][0] <= HOLD_SECONDS:
            self._peaks.popleft()
        highest = max((peak for _, peak in self._peaks), default=None)
        self.reading = Reading(found.momentary_lufs, found.short_term_lufs, highest)
        return self.reading
