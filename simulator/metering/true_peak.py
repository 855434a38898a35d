"""True-peak meter of one channel, and over events: how often the wave exceeds the ceiling.

Source: ITU-R BS.1770-5 Annex 2, with a longer filter than its example (the annex allows better ones). Never
below the sample peak; up to 0.45 fs within 0.05 dB of the band-limited wave. Everything is read at 2×; rows
within 2×'s under-reading (3.01 dB) of the highest peak of their 100 ms step, or of the ceiling, again at 4×;
local maxima within 4×'s under-reading (0.69 dB) at 32×. A row across two steps raises the bar of neither, and
the samples at the edge are always read. An over event = peaks above the ceiling less than 10 ms apart,
channels merged (the project's own definition: it counts moments, not samples). Positions are in quarter
samples.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import gain_to_db
from simulator.dsp import interpolation
from simulator.dsp.interpolation import REACH, SCREEN, SCREEN_MARGIN, SHORT_ROW
from simulator.dsp.segments import edge_frames, step_of
from simulator.metering.measurement import OverEvent

STEPS_PER_SECOND = 10
HALF_MARGIN = np.float32(10.0 ** (-3.2 / 20.0))
"""2× under-reads by up to 3.01 dB."""

HISTORY = 2 * REACH

SMALLEST = np.finfo(np.float32).tiny
"""The smallest normal number: it keeps digital silence out."""
SCREEN_RIPPLE = np.float32(10.0 ** (0.1 / 20.0))


class TruePeakMeter:
    """Takes the segments of one channel in order and keeps the maximum of each 100 ms step."""

    def __init__(self, sample_rate: int, ceiling_gain: float) -> None:
        self._rate = sample_rate
        self._screen = interpolation.TwoLooks()
        self._ceiling = np.float32(ceiling_gain)
        self._tail = np.zeros(HISTORY, dtype=np.float32)
        self._position = -REACH  # of the next frame to read
        self._frames = 0
        self._steps = np.zeros(0, dtype=np.float32)
        self._used = 0
        self.best = np.float32(0.0)
        self.best_quarter = 0
        self.places = np.zeros(0, dtype=np.int64)
        self.place_peaks = np.zeros(0, dtype=np.float32)

    def add(self, samples: NDArray[np.float32]) -> None:
        """Reads the next segment; `places` and `place_peaks` then hold the peaks above the ceiling, in
        quarter samples from the start of the stream, in order."""
        self.add_window(np.concatenate([self._tail, samples]))

    def add_window(self, window: NDArray[np.float32]) -> None:
        """The same with the HISTORY frames before the segment in front of it (zeros before the first)."""
        count = window.shape[0] - HISTORY
        self._frames += count
        self._look(window, count)
        self._tail = window[-HISTORY:]

    def finish(self) -> NDArray[np.float32]:
        """Reads the last REACH frames and the ringing after them; returns the linear maximum of every 100 ms
        step that has started (steps,)."""
        self._look(np.concatenate([self._tail, np.zeros(2 * REACH, dtype=np.float32)]), 2 * REACH)
        return self._steps[: self._used if self._frames else 0]

    def _look(self, samples: NDArray[np.float32], count: int) -> None:
        """Reads `count` frames from self._position on; samples[REACH] is the first of them."""
        rows = -(-count // SHORT_ROW)
        if rows * SHORT_ROW + 2 * REACH > samples.shape[0]:
            samples = np.pad(samples, (0, rows * SHORT_ROW + 2 * REACH - samples.shape[0]))
        rough = self._screen.look(samples, REACH, rows)
        first, edges = self._cut_steps(rows * SHORT_ROW)
        inner = edges[1:-1] - self._position
        split = _Split(inner, rows)
        chosen = np.flatnonzero(rough >= split.limits(rough, self._ceiling, HALF_MARGIN))
        wave = self._screen.look_closer(chosen)
        highest = wave.max(axis=0, initial=0.0)
        rough[chosen] = highest
        threshold = split.limits(rough, self._ceiling, SCREEN_MARGIN)[chosen]
        # in a row within one step only the maxima that could be its highest are read again
        own = np.where(split.shared[chosen], np.float32(0.0), highest * SCREEN_MARGIN)
        bar = np.where(highest >= threshold, np.maximum(threshold, own), np.float32(np.inf))
        found = self._quarters(interpolation.local_maxima(wave, np.flatnonzero(wave >= bar)), chosen)
        # a step that is still rising where it ends peaks there
        at_edges = (inner + REACH) * SCREEN
        inside = np.concatenate([found, at_edges - 1, at_edges])
        peaks = interpolation.peaks_near(samples, inside)
        quarter = inside + (self._position - REACH) * SCREEN
        self._note_steps(quarter, peaks, first, edges)
        over = peaks > self._ceiling
        places, levels = quarter[over], peaks[over]
        if rough.max() > self._ceiling * SCREEN_RIPPLE:
            # an excursion longer than a cycle has few maxima: its other quarter samples mark its extent
            # (only those above the ceiling in spite of the screen's ripple)
            extent = np.flatnonzero(wave > self._ceiling * SCREEN_RIPPLE)
            marks = self._quarters(extent, chosen) + (self._position - REACH) * SCREEN
            places = np.concatenate([places, marks])
            levels = np.concatenate([levels, wave.ravel()[extent] / SCREEN_RIPPLE])
        order = np.argsort(places, kind="stable")
        self.places, self.place_peaks = np.maximum(places[order], 0), levels[order]
        self._position += count

    @staticmethod
    def _quarters(cells: NDArray[np.int64], chosen: NDArray[np.int64]) -> NDArray[np.int64]:
        """Cells of the wave in the chosen rows as positions in `samples`, in quarter samples."""
        line, column = np.divmod(cells, max(chosen.shape[0], 1))
        quarters: NDArray[np.int64] = (chosen[column] * SHORT_ROW + REACH) * SCREEN + line
        return quarters

    def _cut_steps(self, count: int) -> tuple[int, NDArray[np.int64]]:
        """The first 100 ms step of the next `count` frames, and the edges of all their steps. Ringing before
        the first or after the last frame belongs to that frame's step."""
        begin = max(self._position, 0)
        end = max(min(self._position + count, self._frames), begin + 1)
        first, last = (step_of(frame, self._rate, STEPS_PER_SECOND) for frame in (begin, end - 1))
        return first, edge_frames(first, last + 1, self._rate, STEPS_PER_SECOND)

    def _note_steps(
        self, quarter: NDArray[np.int64], peaks: NDArray[np.float32], first: int, edges: NDArray[np.int64]
    ) -> None:
        end = first + edges.shape[0] - 1
        if end > self._used:
            self._used = end
            if end > self._steps.shape[0]:
                grown = np.zeros(2 * end, dtype=np.float32)
                grown[: self._steps.shape[0]] = self._steps
                self._steps = grown
        if not quarter.shape[0]:
            return
        step = first + np.searchsorted(edges[1:-1], quarter // SCREEN, side="right")
        np.maximum.at(self._steps, step, peaks)
        top = int(np.argmax(peaks))
        if peaks[top] > self.best:
            self.best, self.best_quarter = peaks[top], max(int(quarter[top]), 0)


class _Split:
    """Which rows belong to which 100 ms steps; `inner` are the step edges within the rows, in frames."""

    def __init__(self, inner: NDArray[np.int64], rows: int) -> None:
        first = np.minimum(np.append(0, -(-inner // SHORT_ROW)), rows - 1)
        self._first = first
        self._step = np.repeat(np.arange(first.shape[0]), np.diff(first, append=rows))
        self._cut = np.flatnonzero(inner % SHORT_ROW)  # edges within a row, which then serves two steps
        self._cut_rows = inner[self._cut] // SHORT_ROW
        self.shared = np.zeros(rows, dtype=np.bool_)
        self.shared[self._cut_rows] = True

    def limits(
        self, rough: NDArray[np.float32], ceiling: np.float32, margin: np.float32
    ) -> NDArray[np.float32]:
        """The magnitude from which each row is read again (rows,). The magnitude of a shared row may belong
        to either step, so it raises the bar of neither and has the lower one."""
        whole = np.where(self.shared, np.float32(0.0), rough)
        highest = np.maximum.reduceat(whole, self._first)
        by_step = np.maximum(np.minimum(highest, ceiling) * margin, SMALLEST)
        limits: NDArray[np.float32] = by_step[self._step]
        limits[self._cut_rows] = np.minimum(by_step[self._cut], by_step[self._cut + 1])
        return limits


JOIN_SECONDS = 0.010
KEPT = 100


class OverCollector:
    """Merges the peaks over the ceiling of all channels into events, segment by segment."""

    def __init__(self, sample_rate: int) -> None:
        self._per_second = SCREEN * sample_rate
        self._gap = JOIN_SECONDS * self._per_second
        self._open = _none()
        """The last event, which may continue (1, 3), or none (0, 3)."""
        self._closed = _none()
        self.count = 0

    def add(self, places: Sequence[NDArray[np.int64]], peaks: Sequence[NDArray[np.float32]]) -> None:
        """Takes one segment's positions, an array per channel; all are after those of earlier segments."""
        merged = np.concatenate(places)
        if not merged.shape[0]:
            return
        order = np.argsort(merged, kind="stable")
        merged, levels = merged[order], np.concatenate(peaks)[order]
        begins = np.concatenate([[0], np.flatnonzero(np.diff(merged) >= self._gap) + 1])
        ends = np.concatenate([begins[1:], [merged.shape[0]]]) - 1
        events = np.stack([merged[begins], merged[ends], np.maximum.reduceat(levels, begins)], axis=1)
        if self._open.shape[0]:
            first, last, height = self._open[0]
            if events[0, 0] - last < self._gap:
                events[0] = first, max(last, events[0, 1]), max(height, events[0, 2])
            else:
                self._close(self._open)
        self._close(events[:-1])
        self._open = events[-1:]

    def _close(self, events: NDArray[np.float64]) -> None:
        self.count += events.shape[0]
        self._closed = np.concatenate([self._closed, events])
        if self._closed.shape[0] >= 40 * KEPT:
            self._closed = self._highest()

    def _highest(self) -> NDArray[np.float64]:
        return self._closed[np.lexsort((self._closed[:, 0], -self._closed[:, 2]))[:KEPT]]

    def finish(self) -> tuple[OverEvent, ...]:
        """The highest events (up to KEPT), in time order; `count` is then the number of all."""
        self._close(self._open)
        self._open = _none()
        return tuple(
            OverEvent(first / self._per_second, last / self._per_second, gain_to_db(top) or 0.0)
            for first, last, top in sorted(self._highest().tolist())
        )


def _none() -> NDArray[np.float64]:
    """Events as rows: first and last position, which float64 holds exactly up to 2^53, and highest level."""
    return np.zeros((0, 3))
