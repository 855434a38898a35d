"""Clipped runs of one channel: where the wave was cut flat.

A clipped run = three or more consecutive samples, equal within the tolerance, at a local ceiling, at full
scale or below (the project's own definition; no standard gives one). The tolerance is one step of the file's
word length, 1e-4 for floating point and lossy decoders. These rules keep smooth crests out:
- No sample within 10 ms is higher on the same side; the wave falls on both sides of the run, by more than 4
  tolerances on one and 8 on the other (beside the smooth top of a sine the nearer sample is less than 4
  down); the level is at least −30 dBFS and 500 tolerances.
- A run of only three must be equal within a twentieth of the tolerance: three samples of an unclipped crest
  agree within one by chance.
- Where the samples are coarser than the file (16 bits in 24), the step is that of 16 bits.
- Up to five samples also agree by chance on the crest of unclipped music: such a short run counts within 0.1
  dB of the channel's highest sample, where another run of the channel has the same level, or where one within
  0.1 dB is in the second before or after.
- A constant stretch of 100 ms below full scale, or of the whole file, is an offset and not a clip.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import gain_to_db, seconds_to_frames
from simulator.metering.measurement import ClippedRun

FLOAT_TOLERANCE = 1e-4
SHORTEST = 3
SHORT_EQUALITY = np.float32(0.05)
NEAR_STEEP, FAR_STEEP = 4.0, 8.0
FLOOR = 10.0 ** (-30.0 / 20.0)
FLOOR_TOLERANCES = 500.0
AROUND_SECONDS = 0.010
KEPT = 100
WORD_BITS, COARSE_BITS = 24, 16
COARSE_AROUND = 32
"""Frames on either side that must fit 16 bits: 64 finer ones do not by chance."""
CHANCE_MOST = 5
SAME_LEVEL = 10.0 ** (-0.1 / 20.0)
NEIGHBOURS = 20
"""Runs before a short one that are compared with it."""
STANDSTILL_SECONDS = 0.100
FULL_SCALE = 0.99


def tolerance(bits: int | None) -> float:
    """Greatest difference of "equal" samples; `bits` is the integer word length, None for float."""
    # a word of 24 bits and more is finer than what float32 arithmetic of earlier stages left equal
    return FLOAT_TOLERANCE if bits is None else 1.01 * 2.0 ** (1 - min(bits, 22))


@dataclass(frozen=True, slots=True)
class _OpenRun:
    """Equal samples whose end has not been read yet: magnitudes, and positions in frames of the stream."""

    begin: int
    sign: float
    before: float
    """The sample before the run, positive on its side."""
    highest_before: float
    """The highest sample within 10 ms before the run, on its side."""
    low: float = np.inf
    top: float = 0.0

    def grown(self, samples: NDArray[np.float32]) -> _OpenRun:
        """The run after these samples of it."""
        heights = np.abs(samples)
        return replace(self, low=min(self.low, float(heights.min())), top=max(self.top, float(heights.max())))


@dataclass(frozen=True, slots=True)
class _Run:
    """A clipped run: first frame, frames, magnitude, sign."""

    begin: int
    length: int
    top: float
    sign: float


class ClipDetector:
    """Takes the segments of one channel in order. A run is judged once the 10 ms after its start are read."""

    def __init__(self, sample_rate: int, channel: int, bits: int | None) -> None:
        self._rate = sample_rate
        self._channel = channel
        self._tolerance = np.float32(tolerance(bits))
        self._floor = np.float32(max(FLOOR, FLOOR_TOLERANCES * float(self._tolerance)))
        self._around = seconds_to_frames(AROUND_SECONDS, sample_rate)
        self.history = 2 * self._around
        self._tail = np.zeros(self.history, dtype=np.float32)
        self._position = -self._around
        self._steps = 1.0 / float(self._tolerance)
        self._coarse = np.float32(tolerance(COARSE_BITS)) if bits is not None and bits > COARSE_BITS else None
        self._standstill = seconds_to_frames(STANDSTILL_SECONDS, sample_rate)
        self._end = -1
        self._kept: list[tuple[int, int, float]] = []
        self._open: _OpenRun | None = None
        self._recent: deque[_Run] = deque(maxlen=NEIGHBOURS)
        self._doubtful: dict[tuple[float, int], _Run] = {}
        self._levels: set[tuple[float, int]] = set()
        self.count = 0

    def add_window(self, window: NDArray[np.float32]) -> None:
        """Reads the next segment, (frames,) with the `history` frames before it in front (zeros before the
        first)."""
        count = window.shape[0] - self.history
        self._search(window, count)
        self._tail = window[-self.history :]
        self._position += count

    def finish(self, peak: float) -> tuple[ClippedRun, ...]:
        """The longest runs (up to KEPT), in time order; `count` is then the number of all. `peak` is the
        magnitude of the channel's highest sample."""
        self._end = self._position + self._around
        self._search(np.concatenate([self._tail, np.zeros(2 * self._around, np.float32)]), 2 * self._around)
        for run in [doubtful for doubtful in self._doubtful.values() if doubtful.top >= SAME_LEVEL * peak]:
            self._keep(run, self._level(run))
        return tuple(
            ClippedRun(max(start, 0) / self._rate, length, self._channel, gain_to_db(level) or 0.0)
            for start, length, level in sorted(self._longest())
        )

    def _search(self, window: NDArray[np.float32], count: int) -> None:
        """Judges the runs that start in window[around : around + count]."""
        step = window[1:] - window[:-1]
        flat = np.abs(step, out=step) <= self._tolerance
        pair = np.flatnonzero(flat[1:] & flat[:-1])
        pair = pair[np.abs(window[pair + 1]) >= self._floor]
        if not pair.shape[0]:
            return
        breaks = np.flatnonzero(np.diff(pair) > 1) + 1
        first = pair[np.concatenate([[0], breaks])]
        last = pair[np.concatenate([breaks, [pair.shape[0]]]) - 1] + 2
        mine = (first >= self._around) & (first < self._around + count)
        start = self._position - self._around  # frame of window[0]
        open_run, self._open = self._open, None
        if open_run is not None:
            begin = max(open_run.begin - start, 0)
            for end in last[first == begin].tolist():
                self._judge_open(window, start, end, open_run.grown(window[begin : end + 1]))
        first, last = first[mine], last[mine]
        if first.shape[0] and last[-1] + 1 >= window.shape[0]:  # only the last one can reach the window's end
            begin, end = int(first[-1]), int(last[-1])
            sign = float(np.sign(window[begin]))
            earlier = sign * window[begin - self._around : begin]
            new_run = _OpenRun(start + begin, sign, float(earlier[-1]), float(earlier.max()))
            self._open = new_run.grown(window[begin : end + 1])
            first, last = first[:-1], last[:-1]
        if first.shape[0]:
            self._judge(window, start, first, last)

    def _judge(
        self, window: NDArray[np.float32], start: int, first: NDArray[np.int64], last: NDArray[np.int64]
    ) -> None:
        """Counts the clipped ones of the runs window[first] to window[last]; smooth crests are ruled out all
        at once. `start` is the frame of window[0]."""
        length = last - first + 1
        offset = np.cumsum(length) - length
        heights = np.abs(window[np.arange(int(length.sum())) + np.repeat(first - offset, length)])
        top, low = np.maximum.reduceat(heights, offset), np.minimum.reduceat(heights, offset)
        sign = np.sign(window[first])
        rise, fall = top - sign * window[first - 1], top - sign * window[last + 1]
        # the first and the last frame of the stream have no neighbour: the other side alone is judged
        at_begin, at_end = first + start == 0, last + start + 1 == self._end
        rise, fall = np.where(at_begin, fall, rise), np.where(at_end, rise, fall)
        clipped = self._is_cut(length, top - low, rise, fall) & ~(at_begin & at_end)
        crest = np.zeros(length.shape, bool)
        if self._coarse is not None:
            crest = clipped & ~self._is_steep(rise, fall, self._coarse)
        for index in np.flatnonzero(clipped).tolist():
            begin, end, height = int(first[index]), int(last[index]), float(top[index])
            if crest[index] and self._is_16_bit(window, begin, end):
                continue
            earlier = sign[index] * window[begin - self._around : begin]
            later = sign[index] * window[end + 1 : end + 1 + self._around]
            run = _Run(start + begin, end + 1 - begin, height, float(sign[index]))
            self._count(run, max(float(earlier.max()), float(later.max())))

    def _judge_open(self, window: NDArray[np.float32], start: int, end: int, known: _OpenRun) -> None:
        """The same for a run from an earlier window; it stays open where it reaches the end of this one."""
        if end + 1 >= window.shape[0]:
            self._open = known
            return
        length = start + end + 1 - known.begin
        later = known.sign * window[end + 1 : end + 1 + self._around]
        rise, fall = known.top - known.before, known.top - float(later[0])
        at_begin, at_end = known.begin == 0, start + end + 1 == self._end
        rise, fall = fall if at_begin else rise, rise if at_end else fall
        if (at_begin and at_end) or not self._is_cut(length, known.top - known.low, rise, fall):
            return
        run = _Run(known.begin, length, known.top, known.sign)
        self._count(run, max(known.highest_before, float(later.max())))

    def _is_cut(self, length: Any, spread: Any, rise: Any, fall: Any) -> Any:
        """True for a flat run with steep sides. Numbers, or arrays of one for each run."""
        flat = spread <= self._tolerance * np.where(length > SHORTEST, np.float32(1.0), SHORT_EQUALITY)
        return flat & self._is_steep(rise, fall, self._tolerance)

    def _is_steep(self, rise: Any, fall: Any, step: np.float32) -> Any:
        return (np.minimum(rise, fall) > NEAR_STEEP * step) & (np.maximum(rise, fall) > FAR_STEEP * step)

    def _is_16_bit(self, window: NDArray[np.float32], begin: int, end: int) -> bool:
        """True where the samples around a run fit 16 bits, in a longer word."""
        near = window[max(begin - COARSE_AROUND, 0) : end + 1 + COARSE_AROUND]
        words = np.rint(near * np.float32(2.0 ** (WORD_BITS - 1))).astype(np.int64)
        return not bool((words & (2 ** (WORD_BITS - COARSE_BITS) - 1)).any())

    def _count(self, run: _Run, highest_around: float) -> None:
        if highest_around > run.top + self._tolerance:  # on the run's side: a clip may be one-sided
            return
        if run.length > self._standstill and run.top < FULL_SCALE:
            return
        level = self._level(run)
        if level in self._levels or run.length > CHANCE_MOST or self._has_neighbour(run):
            self._keep(run, level)
        else:
            self._doubtful[level] = run
        self._recent.append(run)

    def _level(self, run: _Run, away: int = 0) -> tuple[float, int]:
        return run.sign, round(run.top * self._steps) + away

    def _has_neighbour(self, run: _Run) -> bool:
        """True with another run at the same level in the channel, or within 0.1 dB nearby, which then
        counts."""
        others = [
            self._doubtful[key] for away in (-1, 0, 1) if (key := self._level(run, away)) in self._doubtful
        ]
        others += [
            other
            for other in self._recent
            if run.begin - other.begin <= self._rate
            and min(run.top, other.top) >= SAME_LEVEL * max(run.top, other.top)
        ]
        for other in others:
            if self._doubtful.get(level := self._level(other)) is other:
                self._keep(other, level)
        return bool(others)

    def _keep(self, run: _Run, level: tuple[float, int]) -> None:
        """Counts the run, and the doubtful ones at its level."""
        self.count += 1
        self._kept.append((run.begin, run.length, run.top))
        if len(self._kept) >= 40 * KEPT:
            self._kept = self._longest()
        self._doubtful.pop(level, None)
        if level in self._levels:
            return
        levels = [self._level(run, away) for away in (-1, 0, 1)]
        self._levels.update(levels)
        for near in levels:
            if (doubtful := self._doubtful.get(near)) is not None:
                self._keep(doubtful, near)

    def _longest(self) -> list[tuple[int, int, float]]:
        return sorted(self._kept, key=lambda run: (-run[1], run[0]))[:KEPT]
