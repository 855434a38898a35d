"""How far must a mix be driven into the limiter to reach a wanted loudness? A search with few passes.

Conventions: `drive_db` is the gain before the limiter; loudness is integrated (ITU-R BS.1770-5), in LUFS.
The first guess is a closed form on the mix's 100 ms series: each step is driven, and brought down by a share
of what its own true peak stands over the ceiling (KEPT_DOWN of it: the gain comes back within the step). A
guess that missed moves the whole form by what it missed; from the third pass on a straight line through the
two nearest points is followed (secant), kept between points on both sides.
Given up after MOST_DRIVE_DB of drive, or where a dB of drive brings less than LEAST_SLOPE of loudness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.measure import gating
from simulator.measure.measurement import Measurement

TOLERANCE_LU = 0.1
"""A rung this near is reached."""
AIM_LU = 0.05
"""A pass this near ends the search."""
MOST_PASSES = 4
MOST_DRIVE_DB = 24.0
LEAST_DRIVE_DB = -60.0
LEAST_SLOPE = 0.05
SLOPE_SPAN_DB = 0.5
"""Two passes nearer than this to one another say nothing about the slope."""
KEPT_DOWN = 0.75
"""Fitted to real music (four songs at −16 to −8 LUFS): most rungs are found by the first or second pass."""

SILENCE = 1e-10

Pass = Callable[[float], float | None]
"""A pass over the mix with that drive: the loudness that it gives, None where nothing passes the gates."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a search came to: the drive of its best pass and that pass's loudness. `why` is a sentence where
    the rung was not reached, else empty."""

    drive_db: float
    integrated_lufs: float
    reached: bool
    passes: int
    why: str


class Guess:
    """The closed form: what loudness a drive would give."""

    def __init__(self, mix: Measurement, ceiling_db: float) -> None:
        self._energy = mix.series.energy
        self._over_db = (
            20.0 * np.log10(np.maximum(mix.series.true_peak.astype(np.float64), SILENCE)) - ceiling_db
        )

    def integrated_lufs(self, drive_db: float) -> float | None:
        gain_db = drive_db - KEPT_DOWN * np.maximum(self._over_db + drive_db, 0.0)
        scaled: NDArray[np.float64] = self._energy * 10.0 ** (gain_db / 10.0)
        return gating.integrated_lufs(scaled)

    def drive_db(self, wanted_lufs: float) -> float:
        """The drive for that loudness, between the least and the most that is tried."""
        low, high = LEAST_DRIVE_DB, MOST_DRIVE_DB
        for _ in range(40):
            middle = (low + high) / 2.0
            lufs = self.integrated_lufs(middle)
            low, high = (middle, high) if lufs is None or lufs < wanted_lufs else (low, middle)
        return high


def search(wanted_lufs: float, guess: Guess, loudness_at: Pass) -> Found | None:
    """The drive for `wanted_lufs`, by at most MOST_PASSES calls of `loudness_at`; None where nothing is
    loud enough to be measured."""
    points: list[tuple[float, float]] = []
    drive, why = guess.drive_db(wanted_lufs), ""
    for _ in range(MOST_PASSES):
        lufs = loudness_at(drive)
        if lufs is None:
            return None
        points.append((drive, lufs))
        if abs(lufs - wanted_lufs) <= AIM_LU:
            break
        why = _hopeless(points, wanted_lufs)
        if why:
            break
        drive = _next(points, wanted_lufs, guess)
    drive, lufs = _worth(points) if why else min(points, key=lambda one: abs(one[1] - wanted_lufs))
    reached = abs(lufs - wanted_lufs) <= TOLERANCE_LU
    if not reached and not why:
        why = f"{MOST_PASSES} passes came no nearer"
    return Found(drive, lufs, reached, len(points), "" if reached else why)


def _worth(points: list[tuple[float, float]]) -> tuple[float, float]:
    """Of what was given up: the least drive from which on no dB brings LEAST_SLOPE."""
    drive, lufs = max(points, key=lambda one: one[1])
    return min(one for one in points if one[0] <= drive and lufs - one[1] <= LEAST_SLOPE * (drive - one[0]))


def _hopeless(points: list[tuple[float, float]], wanted_lufs: float) -> str:
    """Why no further pass is worth it; empty where one is."""
    drive, lufs = max(points)
    if lufs > wanted_lufs:
        return ""
    below = [one for one in points if one[0] <= drive - SLOPE_SPAN_DB]
    if not below:
        return ""
    before, less = max(below)
    if lufs - less < LEAST_SLOPE * (drive - before):
        return f"from {before:.1f} dB of drive on, each dB brings less than {LEAST_SLOPE:g} LU"
    return f"{MOST_DRIVE_DB:g} dB of drive do not reach it" if drive >= MOST_DRIVE_DB else ""


def _next(points: list[tuple[float, float]], wanted_lufs: float, guess: Guess) -> float:
    """The drive of the next pass."""
    drive, lufs = points[-1]
    if len(points) == 1 and drive >= MOST_DRIVE_DB and lufs < wanted_lufs:
        return drive / 2.0  # it cannot be reached: how much less would do as well?
    if len(points) == 1:
        thought = guess.integrated_lufs(drive)
        missed = 0.0 if thought is None else lufs - thought
        return _bound(guess.drive_db(wanted_lufs - missed), points, wanted_lufs)
    (one, first), (other, second) = sorted(points, key=lambda point: abs(point[1] - wanted_lufs))[:2]
    slope = (second - first) / (other - one) if other != one else 0.0
    step = (wanted_lufs - first) / max(slope, LEAST_SLOPE)
    return _bound(one + step, points, wanted_lufs)


def _bound(drive: float, points: list[tuple[float, float]], wanted_lufs: float) -> float:
    """Inside what is known to be too little and too much, and never beyond the most."""
    low = max((one for one, lufs in points if lufs < wanted_lufs), default=LEAST_DRIVE_DB)
    high = min((one for one, lufs in points if lufs > wanted_lufs), default=MOST_DRIVE_DB)
    if low < drive < high or drive == high == MOST_DRIVE_DB:
        return drive
    return (low + high) / 2.0 if high < MOST_DRIVE_DB or drive <= low else high
