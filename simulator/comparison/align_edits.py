"""Edits between two versions: where each stretch of the first is in the second.

The first version is cut into windows of 0.7 s at 6 kHz, and each window is matched at every known place. A
stretch that matches nowhere is searched in all of the second, which may give a new place. The best path
through windows and places, with a penalty on every change, gives the stretches; each cut is then set to the
frame that leaves the least residual on both sides. Both versions are at one rate, drift corrected; a place is
the frame of the second at frame 0 of the first.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.comparison import align_coarse, align_fine
from simulator.comparison.align_coarse import RATE, Sketch
from simulator.comparison.align_fine import Audio

_SIZE, _HOP = 4096, 1024
_FITS = 0.6
"""Share of the best windows' match below which a stretch may be elsewhere."""
_NOWHERE = 0.35
_CHANGE = 1.2
"""Penalty of a change of place, in well-matched windows: about a fifth of a second."""
_HEARD = 1e-3
_SHORTEST_S = 0.7
_MOST_PLACES = 12
_CLEAN_S = 2.5
"""A gap exceeding its cut by no more than this may be a plain cut: it is one if no more than _CLEAN_LEFT of
the power around it remains (unrelated music of the same level leaves 2)."""
_CLEAN_LEFT = 0.8
_LEVEL_S = 5.0
_PEAK_SHARE = 0.9

Fits = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames of the first, and their place in the second."""

    start: int
    end: int
    place: float


def stretches(first: Audio, second: Audio, rate: int, places: list[float], polarity: int) -> list[Stretch]:
    """The stretches of the first in the second, in order; empty where nothing matches. `places` are known
    ones, the best first; more are searched."""
    sketches = [align_coarse.sketch(version, rate) for version in (first, second)]
    windows = _Windows(sketches[0], sketches[1], polarity)
    known = places[:_MOST_PLACES]
    fits = [windows.fit(place * RATE / rate) for place in known]
    tried = np.zeros(windows.count, dtype=bool)
    while len(known) < _MOST_PLACES:
        well = windows.well(fits)
        run = _longest((np.max(fits, axis=0) < _FITS * well) & windows.heard & ~tried)
        if run is None or (run[1] - run[0]) * _HOP < _SHORTEST_S * RATE:
            break
        run = windows.loudest(run)
        tried[run[0] : run[1]] = True
        new = _look_for(first, second, rate, sketches, run, known[0], polarity)
        if new is None or any(abs(new - other) < 1.0 for other in known):
            continue
        fit = windows.fit(new * RATE / rate)
        if fit[run[0] : run[1]].max() > _FITS * well:
            known.append(new)
            fits.append(fit)
            tried &= fit < _FITS * well
            tried[run[0] : run[1]] = True
    path = _path(np.stack(fits), windows.heard, windows.well(fits))
    scale = rate / RATE
    mapped = []
    for a, b in _runs(path):
        if path[a] >= 0:  # a well-matched window matches from end to end; the outermost ones reach the ends
            low, high = a * _HOP, (b - 1) * _HOP + _SIZE
            mapped.append(Stretch(round(low * scale), round(high * scale), known[path[a]]))
    return _joined(first, second, rate, _in_order(mapped))


class _Windows:
    """The first version's windows, matched with the second's at any place."""

    def __init__(self, first: Sketch, second: Sketch, polarity: int) -> None:
        self._first, self._second, self._polarity = first, second, polarity
        self.count = max(1, (first.shape[1] - _SIZE) // _HOP + 1)
        hz = np.arange(_SIZE // 2 + 1) * RATE / _SIZE
        self._held = (hz > 60.0) & (hz < 2700.0)
        self._omega = 2.0 * np.pi * np.arange(_SIZE // 2 + 1) / _SIZE
        self._ours = self._spectra(first, 0)
        power = np.square(np.abs(self._ours)).sum(axis=(0, 1))
        smooth = np.convolve(power, np.ones(17) / 17.0, mode="same")
        self._flat = np.where(self._held, 1.0 / np.maximum(smooth, smooth.max() * 1e-6), 0.0)
        self._energy = self._weigh(self._ours, self._ours)
        self.heard = self._energy > _HEARD * float(self._energy.mean())

    def _spectra(self, sketch: Sketch, place: int) -> NDArray[np.complex64]:
        """(windows, channels, bins), silence outside the sketch."""
        need = (self.count - 1) * _HOP + _SIZE
        line = np.zeros((sketch.shape[0], need), dtype=np.float32)
        low, high = max(0, -place), min(need, sketch.shape[1] - place)
        if high > low:
            line[:, low:high] = sketch[:, low + place : high + place]
        cut = np.lib.stride_tricks.sliding_window_view(line, _SIZE, axis=1)[:, ::_HOP]
        spectra = np.fft.rfft(cut * align_fine.taper(_SIZE), axis=2).astype(np.complex64)
        return np.ascontiguousarray(spectra.transpose(1, 0, 2))

    def _weigh(self, a: NDArray[np.complex64], b: NDArray[np.complex64]) -> Fits:
        return np.asarray(np.einsum("wcf,wcf,f->w", a, b.conj(), self._flat).real, dtype=np.float64)

    def fit(self, place: float) -> Fits:
        """Correlation of each window, −1 to 1, at a place in frames of the sketches."""
        whole = round(place)
        theirs = self._spectra(self._second, whole)
        theirs *= np.exp(1j * self._omega * (place - whole)).astype(np.complex64)
        both = np.sqrt(self._energy * self._weigh(theirs, theirs))
        cross = self._polarity * self._weigh(self._ours, theirs)
        return np.divide(cross, both, out=np.zeros_like(cross), where=both > 1e-12 * self._energy.max())

    def loudest(self, run: tuple[int, int]) -> tuple[int, int]:
        """The loudest part of a run, no longer than one piece of the coarse search."""
        most = (align_coarse.PIECE - _SIZE) // _HOP + 1
        if run[1] - run[0] <= most:
            return run
        energy = np.convolve(self._energy[run[0] : run[1]], np.ones(most), mode="valid")
        start = run[0] + int(np.argmax(energy))
        return start, start + most

    def well(self, fits: list[Fits]) -> float:
        """The match of the best windows (90th percentile)."""
        best = np.max(fits, axis=0)[self.heard]
        return float(np.percentile(best, 90.0)) if best.size else 1.0


def _longest(which: NDArray[np.bool_]) -> tuple[int, int] | None:
    runs = [(a, b) for a, b in _runs(which.astype(np.int64)) if which[a]]
    return max(runs, key=lambda run: run[1] - run[0]) if runs else None


def _runs(values: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Start and end of each run of equal values."""
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), values.shape[0]]
    return list(itertools.pairwise(edges))


def _look_for(
    first: Audio,
    second: Audio,
    rate: int,
    sketches: list[Sketch],
    run: tuple[int, int],
    near: float,
    polarity: int,
) -> float | None:
    """The place of a run of windows, to a fraction of a frame; of equally good ones the one next to
    `near`."""
    low, high = run[0] * _HOP, (run[1] - 1) * _HOP + _SIZE
    peaks = next(iter(align_coarse.find_pieces(sketches[0][:, low:high], sketches[1])), None)
    if peaks is None or not peaks.lags_s.size:
        return None
    good = peaks.lags_s[peaks.heights >= _PEAK_SHARE * peaks.heights.max()] - low / RATE
    lag = float(good[np.argmin(np.abs(good - near / rate))])
    start, end = round(low * rate / RATE), min(first.shape[0], round(high * rate / RATE))
    part, size = first[start:end], align_fine.FINE_WINDOW
    place = float(round(lag * rate + start))
    for turn in range(3):
        seen = align_fine.look(part, second, place, size=size)
        if seen is None:
            return None
        shared = align_fine.common(seen)
        search = align_fine.search_frames(rate)
        rough = align_fine.rough_delay(shared, size, search)[0] if turn == 0 else 0.0
        delay = align_fine.exact_delay(shared, size, polarity, rough, align_fine.weights(shared))
        if delay is None:
            return None
        place += delay
        if abs(delay) < 1e-4:
            break
    whole = float(np.rint(place))
    return (whole if abs(place - whole) < 0.02 else place) - start


def _path(fits: NDArray[np.float64], heard: NDArray[np.bool_], well: float) -> NDArray[np.int64]:
    """The place of each window (−1: nowhere): the greatest sum of matches less a penalty for each change."""
    score = np.vstack([fits / well, np.full(fits.shape[1], _NOWHERE)])
    score[:, ~heard] = 0.0
    score[-1, ~heard] = -0.1  # nearly silent windows stay where they were
    total = score[:, 0].copy()
    back = np.zeros(score.shape, dtype=np.int64)
    for window in range(1, score.shape[1]):
        best = int(np.argmax(total))
        stays = total >= total[best] - _CHANGE
        back[:, window] = np.where(stays, np.arange(score.shape[0]), best)
        total = np.where(stays, total, total[best] - _CHANGE) + score[:, window]
    path = np.empty(score.shape[1], dtype=np.int64)
    at = int(np.argmax(total))
    for window in range(score.shape[1] - 1, -1, -1):
        path[window] = at
        at = int(back[at, window])
    return np.where(path == fits.shape[0], -1, path)


def _in_order(mapped: list[Stretch]) -> list[Stretch]:
    """The longest chain of stretches that are in order in the second too: a bar that was cut out may resemble
    another, but no bar of the second counts twice."""
    reached: list[tuple[float, list[Stretch]]] = []
    for one in mapped:
        options: list[tuple[float, list[Stretch]]] = [(0.0, [])]
        for value, chain in reached:
            last = chain[-1]
            twice = max(0.0, last.end + last.place - one.start - one.place)
            if one.start + one.place > last.start + last.place:
                options.append((value - 2.0 * twice, chain))  # windows reach over a cut a little
        value, chain = max(options, key=lambda option: option[0])
        reached.append((value + one.end - one.start, [*chain, one]))
    return max(reached, key=lambda option: option[0])[1] if reached else []


def _joined(first: Audio, second: Audio, rate: int, mapped: list[Stretch]) -> list[Stretch]:
    """The stretches with the cuts between them set to the frame, and both ends extended to those of the
    versions."""
    if not mapped:
        return []
    done = [mapped[0]]
    for after in mapped[1:]:
        before = done.pop()
        done += _cut(first, second, rate, before, after)
    done = [one for one in done if one.end - one.start > 0.2 * rate]
    if not done:
        return []
    reach = round(_CLEAN_S * rate)
    head = done[0]
    low = max(0, int(np.ceil(-head.place)))
    if head.start - low < reach:
        done[0] = Stretch(low, head.end, head.place)
    tail = done[-1]
    high = min(first.shape[0], int(np.floor(second.shape[0] - tail.place)))
    if high - tail.end < reach:
        done[-1] = Stretch(tail.start, high, tail.place)
    return done


def _cut(first: Audio, second: Audio, rate: int, before: Stretch, after: Stretch) -> list[Stretch]:
    """Two neighbours with the exact cut between them."""
    missing = max(0, round(before.place - after.place))
    inner = round(_SIZE * rate / RATE / 2)  # a window matches while half of it does
    apart = [replace(before, end=before.end - inner), replace(after, start=after.start + inner)]
    if before.place == after.place or after.start - before.end - missing > _CLEAN_S * rate:
        return apart
    # windows locate the cut to half a second: the residual is smallest at the cut
    half = round(_CLEAN_S * rate)
    low = max(before.start, min(before.end, after.start - missing) - half)
    high = min(after.end - missing, max(before.end, after.start - missing) + half)
    if high - low < 2:
        return apart
    seen = round(_LEVEL_S * rate)
    level = _level(first, second, max(before.start, before.end - seen), before.end, before.place)
    left = _left(first, second, low, high, before.place, level)
    level = _level(first, second, after.start, min(after.end, after.start + seen), after.place)
    right = _left(first, second, low + missing, high + missing, after.place, level)
    size = min(left.shape[0], right.shape[0])
    before_it = np.concatenate([[0.0], np.cumsum(left[:size])])
    after_it = float(right[:size].sum()) - np.concatenate([[0.0], np.cumsum(right[:size])])
    cost = before_it + after_it
    if cost.min() > _CLEAN_LEFT:
        return apart
    at = low + int(np.argmin(cost))
    return [Stretch(before.start, at, before.place), Stretch(at + missing, after.end, after.place)]


def _both(
    first: Audio, second: Audio, low: int, high: int, place: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both versions over frames of the first (to the whole frame), silence outside of either."""
    both = []
    for samples, start in ((first, low), (second, low + round(place))):
        out = np.zeros((high - low, samples.shape[1]))
        a, b = max(0, -start), min(high - low, samples.shape[0] - start)
        if b > a:
            out[a:b] = samples[start + a : start + b]
        both.append(out)
    return both[0], both[1]


def _level(first: Audio, second: Audio, low: int, high: int, place: float) -> float:
    """The gain from the second to the first, with its sign."""
    ours, theirs = _both(first, second, low, high, place)
    return float(np.vdot(ours, theirs)) / max(float(np.vdot(theirs, theirs)), 1e-20)


def _left(first: Audio, second: Audio, low: int, high: int, place: float, gain: float) -> NDArray[np.float64]:
    """Residual power of each frame after the matched second, as a share of the first's."""
    ours, theirs = _both(first, second, low, high, place)
    rest = np.square(ours - gain * theirs).sum(axis=1)
    return np.asarray(rest / max(float(np.square(ours).sum()), 1e-20))
