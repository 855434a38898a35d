"""Judgement of candidate places: each is looked at closely, and kept or dropped.

A place at which the two agree badly may suffer from a drift that the coarse look could not measure: there the
windows are asked one by one, and the place is judged again along the line that they give.
Conventions: as in comparison/align_fine; similarities as in comparison/align_similarity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.comparison import align_fine
from simulator.comparison.align_coarse import CoarsePlace
from simulator.comparison.align_similarity import similarity

SHORTEST_S = 3.0
"""Versions, and common parts, shorter than this are not judged."""
LEAST_SHARE = 0.25
"""The common part must be at least this share of the shorter version."""
_JUDGING_WINDOWS = 32
_DRIFT_IN_DOUBT = 0.7
"""A place less similar than this may suffer from a drift that was not seen."""
_DRIFTS_TRIED = 3
_MOST_DRIFT_PPM = 1000.0
_ONE_PLACE_S = 0.05
"""Two places that after the close look are this near are one."""


@dataclass(frozen=True, slots=True)
class Judged:
    place: float
    drift_ppm: float
    polarity: int
    similarity: float


def judge(
    first: NDArray[np.floating],
    moved: NDArray[np.floating],
    rate: int,
    found: Sequence[CoarsePlace],
) -> list[Judged]:
    """Each place looked at closely, best first; those with too little in common are left out."""
    judged = []
    for number, one in enumerate(found):
        place = one.lag_s * rate
        shared_frames = min(first.shape[0], moved.shape[0] - place) - max(0.0, -place)
        least = max(SHORTEST_S * rate, LEAST_SHARE * min(first.shape[0], moved.shape[0]))
        if shared_frames < least:
            continue
        seen = _judge_place(first, moved, rate, place, one.drift_ppm)
        if seen is not None and seen.similarity < _DRIFT_IN_DOUBT and number < _DRIFTS_TRIED:
            followed = _follow(first, moved, rate, seen)
            seen = followed if followed and followed.similarity > seen.similarity else seen
        if seen is not None:
            judged.append(seen)
    return _apart(judged, rate)


def _judge_place(
    first: NDArray[np.floating], moved: NDArray[np.floating], rate: int, place: float, drift_ppm: float
) -> Judged | None:
    size = align_fine.FINE_WINDOW if drift_ppm else align_fine.WINDOW
    most = _JUDGING_WINDOWS * align_fine.WINDOW // size
    seen = align_fine.look(first, moved, float(round(place)), drift_ppm, most, size)
    if seen is None:
        return None
    shared = align_fine.common(seen)
    delay, polarity = align_fine.rough_delay(shared, size, search_frames(rate))
    return Judged(round(place) + delay, drift_ppm, polarity, similarity(shared, rate, size, delay))


def _follow(
    first: NDArray[np.floating], moved: NDArray[np.floating], rate: int, judged: Judged
) -> Judged | None:
    """The same place judged along the line on which each window by itself finds the other version: a drift
    that the coarse look could not measure."""
    place, drift = judged.place, judged.drift_ppm
    seen = align_fine.look(first, moved, float(round(place)), drift)
    line = None if seen is None else align_fine.rough_line(seen, 10 * search_frames(rate))
    if line is None or abs(line[1]) > _MOST_DRIFT_PPM * 1e-6:
        return None
    return _judge_place(first, moved, rate, round(place) + line[0], drift + line[1] * 1e6)


def search_frames(rate: int) -> int:
    """How far from a coarse place the exact one is looked for."""
    return max(8, round(align_fine.SEARCH_FRAMES * rate / 44_100))


def _apart(judged: list[Judged], rate: int) -> list[Judged]:
    """Best first, without those that turned out to be the place of a better one."""
    kept: list[Judged] = []
    for one in sorted(judged, key=lambda one: -one.similarity):
        if all(abs(one.place - other.place) > _ONE_PLACE_S * rate for other in kept):
            kept.append(one)
    return kept
