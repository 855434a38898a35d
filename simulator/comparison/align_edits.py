"""Edits between two versions: where each stretch of the first lies in the second.

The first goes through windows of 0.7 s at 6 kHz. For places that are known each window says how well it fits;
a stretch that fits nowhere is looked for in all of the second, and what is found is one more place. The
path through windows and places that fits best, with a price on every change, gives the stretches; a cut is
then set to the frame at which the least is left on both sides.
Conventions: both versions at one rate, out of their drift; a place is the frame of the second that belongs to
frame 0 of the first.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.comparison import align_coarse, align_fine
from simulator.comparison.align_coarse import RATE, Sketch

_SIZE, _HOP = 4096, 1024
_FITS = 0.6
"""Of the fit of the windows that fit well: less may be a stretch that lies elsewhere."""
_NOWHERE = 0.35
_CHANGE = 1.2
"""Price of another place, in windows that fit well: about a fifth of a second."""
_HEARD = 1e-3
_SHORTEST_S = 0.7
_MOST_PLACES = 12
_CLEAN_S = 2.5
"""A gap that is longer than its cut explains by no more than this may be a cut and nothing else: it is one
where _CLEAN_LEFT of the power around it is left at most (unrelated music of one level leaves 2)."""
_CLEAN_LEFT = 0.8
_LEVEL_S = 5.0
_PEAK_SHARE = 0.9

Fits = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames of the first, and the place at which they lie in the second."""

    start: int
    end: int
    place: float


def stretches(
    first: NDArray[np.floating], second: NDArray[np.floating], rate: int, places: list[float], polarity: int
) -> list[Stretch]:
    """Where the first lies in the second, in its order; empty where nothing fits. `places` are known ones,
    the best first; more are found."""
    sketches = [align_coarse.sketch(one, rate) for one in (first, second)]
    windows = _Windows(sketches[0], sketches[1], polarity)
    known: list[float] = []
    fits: list[Fits] = []
    for place in places[:_MOST_PLACES]:
        known.append(place)
        fits.append(windows.fit(place * RATE / rate))
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
    found = []
    for a, b in _runs(path):
        if path[a] >= 0:  # a window that fits well fits from end to end; the outermost ones reach the ends
            low, high = a * _HOP, (b - 1) * _HOP + _SIZE
            found.append(Stretch(round(low * scale), round(high * scale), known[path[a]]))
    return _joined(first, second, rate, _in_order(found))


class _Windows:
    """The first version's windows, against the second's at any place."""

    def __init__(self, first: Sketch, second: Sketch, polarity: int) -> None:
        self._first, self._second, self._polarity = first, second, polarity
        self.count = max(1, (first.shape[1] - _SIZE) // _HOP + 1)
        hz = np.arange(_SIZE // 2 + 1) * RATE / _SIZE
        self._held = (hz > 60.0) & (hz < 2700.0)
        self._omega = 2.0 * np.pi * np.arange(_SIZE // 2 + 1) / _SIZE
        self._taper = (0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(_SIZE) + 0.5) / _SIZE)).astype(np.float32)
        self._ours = self._spectra(first, 0)
        power = np.square(np.abs(self._ours)).sum(axis=(0, 1))
        smooth = np.convolve(power, np.ones(17) / 17.0, mode="same")
        self._flat = np.where(self._held, 1.0 / np.maximum(smooth, smooth.max() * 1e-6), 0.0)
        self._energy = self._weigh(self._ours, self._ours)
        self.heard = self._energy > _HEARD * float(self._energy.mean())

    def _spectra(self, sketch: Sketch, place: int) -> NDArray[np.complex64]:
        """(windows, channels, bins), silence outside of the sketch."""
        need = (self.count - 1) * _HOP + _SIZE
        line = np.zeros((sketch.shape[0], need), dtype=np.float32)
        low, high = max(0, -place), min(need, sketch.shape[1] - place)
        if high > low:
            line[:, low:high] = sketch[:, low + place : high + place]
        cut = np.lib.stride_tricks.sliding_window_view(line, _SIZE, axis=1)[:, ::_HOP]
        spectra: NDArray[np.complex64] = np.fft.rfft(cut * self._taper, axis=2).astype(np.complex64)
        return np.ascontiguousarray(spectra.transpose(1, 0, 2))

    def _weigh(self, a: NDArray[np.complex64], b: NDArray[np.complex64]) -> Fits:
        return np.asarray(np.einsum("wcf,wcf,f->w", a, b.conj(), self._flat).real, dtype=np.float64)

    def fit(self, place: float) -> Fits:
        """−1 to 1 for each window, at a place in frames of the sketches."""
        whole = round(place)
        theirs = self._spectra(self._second, whole)
        theirs *= np.exp(1j * self._omega * (place - whole)).astype(np.complex64)
        both = np.sqrt(self._energy * self._weigh(theirs, theirs))
        cross = self._polarity * self._weigh(self._ours, theirs)
        return np.divide(cross, both, out=np.zeros_like(cross), where=both > 1e-12 * self._energy.max())

    def loudest(self, run: tuple[int, int]) -> tuple[int, int]:
        """The loudest part of a run that is no longer than what is looked for at a time."""
        most = (align_coarse.PIECE - _SIZE) // _HOP + 1
        if run[1] - run[0] <= most:
            return run
        energy = np.convolve(self._energy[run[0] : run[1]], np.ones(most), mode="valid")
        start = run[0] + int(np.argmax(energy))
        return start, start + most

    def well(self, fits: list[Fits]) -> float:
        """The fit of the windows that fit well."""
        best = np.max(fits, axis=0)[self.heard]
        return float(np.percentile(best, 90.0)) if best.size else 1.0


def _longest(which: NDArray[np.bool_]) -> tuple[int, int] | None:
    runs = [(a, b) for a, b in _runs(which.astype(np.int64)) if which[a]]
    return max(runs, key=lambda run: run[1] - run[0]) if runs else None


def _runs(values: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Where equal values begin and end."""
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), values.shape[0]]
    return list(itertools.pairwise(edges))


def _look_for(
    first: NDArray[np.floating],
    second: NDArray[np.floating],
    rate: int,
    sketches: list[Sketch],
    run: tuple[int, int],
    near: float,
    polarity: int,
) -> float | None:
    """The place of a run of windows, to a fraction of a frame; of equally good ones that next to `near`."""
    low, high = run[0] * _HOP, (run[1] - 1) * _HOP + _SIZE
    peaks = next(iter(align_coarse.find_pieces(sketches[0][:, low:high], sketches[1])), None)
    if peaks is None or not peaks.lags_s.size:
        return None
    good = peaks.lags_s[peaks.heights >= _PEAK_SHARE * peaks.heights.max()] - low / RATE
    lag = float(good[np.argmin(np.abs(good - near / rate))])
    start, end = round(low * rate / RATE), min(first.shape[0], round(high * rate / RATE))
    return _exact(first[start:end], second, lag * rate + start, rate, polarity, start)


def _exact(
    part: NDArray[np.floating],
    second: NDArray[np.floating],
    at: float,
    rate: int,
    polarity: int,
    start: int,
) -> float | None:
    size = align_fine.FINE_WINDOW
    place = float(round(at))
    for turn in range(3):
        seen = align_fine.look(part, second, place, 0.0, align_fine.MOST_WINDOWS, size)
        if seen is None:
            return None
        shared = align_fine.common(seen)
        search = max(8, round(align_fine.SEARCH_FRAMES * rate / 44_100))
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
    """The place of each window (−1: nowhere), by the sum of the fits less a price for each change."""
    score = np.vstack([fits / well, np.full(fits.shape[1], _NOWHERE)])
    score[:, ~heard] = 0.0
    score[-1, ~heard] = -0.1  # what is next to silent stays where it was
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


def _in_order(found: list[Stretch]) -> list[Stretch]:
    """The stretches that come one after the other in the second too, as long as they may be in all: what was
    cut out may resemble another bar, but no bar is played for two."""
    reached: list[tuple[float, list[Stretch]]] = []
    for one in found:
        options: list[tuple[float, list[Stretch]]] = [(0.0, [])]
        for value, chain in reached:
            last = chain[-1]
            twice = max(0.0, last.end + last.place - one.start - one.place)
            if one.start + one.place > last.start + last.place:
                options.append((value - 2.0 * twice, chain))  # windows reach over a cut a little
        value, chain = max(options, key=lambda option: option[0])
        reached.append((value + one.end - one.start, [*chain, one]))
    return max(reached, key=lambda option: option[0])[1] if reached else []


def _joined(
    first: NDArray[np.floating], second: NDArray[np.floating], rate: int, found: list[Stretch]
) -> list[Stretch]:
    """With the cuts between them set to the frame, and both ends reaching as far as both versions do."""
    if not found:
        return []
    done = [found[0]]
    for after in found[1:]:
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


def _cut(
    first: NDArray[np.floating], second: NDArray[np.floating], rate: int, before: Stretch, after: Stretch
) -> list[Stretch]:
    """Two neighbours with the border between them."""
    missing = max(0, round(before.place - after.place))
    inner = round(_SIZE * rate / RATE / 2)  # windows fit while half of them does
    apart = [replace(before, end=before.end - inner), replace(after, start=after.start + inner)]
    if before.place == after.place or after.start - before.end - missing > _CLEAN_S * rate:
        return apart
    # window borders are half a second wide of the cut: the least is left where the cut is
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
    first: NDArray[np.floating], second: NDArray[np.floating], low: int, high: int, place: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both over frames of the first (to the whole frame), silence outside of either."""
    both = []
    for samples, start in ((first, low), (second, low + round(place))):
        out = np.zeros((high - low, samples.shape[1]))
        a, b = max(0, -start), min(high - low, samples.shape[0] - start)
        if b > a:
            out[a:b] = samples[start + a : start + b]
        both.append(out)
    return both[0], both[1]


def _level(
    first: NDArray[np.floating], second: NDArray[np.floating], low: int, high: int, place: float
) -> float:
    """The gain from the second to the first where both fit, with its sign."""
    ours, theirs = _both(first, second, low, high, place)
    return float(np.vdot(ours, theirs)) / max(float(np.vdot(theirs, theirs)), 1e-20)


def _left(
    first: NDArray[np.floating], second: NDArray[np.floating], low: int, high: int, place: float, gain: float
) -> NDArray[np.float64]:
    """Power by frame that the matched second leaves of the first, as a share of the first's."""
    ours, theirs = _both(first, second, low, high, place)
    rest = np.square(ours - gain * theirs).sum(axis=1)
    return np.asarray(rest / max(float(np.square(ours).sum()), 1e-20))
