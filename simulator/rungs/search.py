"""Search for the drive into the limiter that reaches a target loudness, in few passes.

A drive is first tried on the mix in rows of 0.7 ms, in milliseconds: each row holds the wave's greatest
magnitude (4×, ITU-R BS.1770-5 Annex 2) and the K-weighted energy of its frames, and the limiter runs over the
rows. Its gain moves over 4 ms and more, so the result is within some hundredths of a LU; the full pass that
follows says what it is. Only for true-peak limiting without a clip, which the rows do not hold.

Otherwise the first guess is a closed form on the mix's 100 ms series: each step is driven, and reduced by
KEPT_DOWN of what its true peak exceeds the ceiling by. Where the limiter begins to act the form is exact.
Each pass corrects it by a curve (degree 1 or 2) through the nearest errors, between drives known to be too
low and too high. The search ends above MOST_DRIVE_DB, or where a dB of drive brings less than LEAST_SLOPE of
loudness.

Conventions: `drive_db` is the gain before the limiter; loudness is integrated, in LUFS, as metering/meter
gives it (ITU-R BS.1770-5 Annex 1); blocks float32 (frames, channels), of any size.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import channel_weights
from simulator.common.units import db_to_gain, gain_to_db
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.interpolation import REACH, ROW, Screen
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.limiter import limit_by
from simulator.dsp.mastering_limiter import ActionReport, MasteringSettings, TwoStageRelease
from simulator.dsp.segments import recut
from simulator.metering import gating
from simulator.metering.gating import StepEnergy, step_energies
from simulator.metering.measurement import Measurement
from simulator.metering.true_peak import TruePeakMeter


@dataclass(frozen=True, slots=True)
class Quick:
    """`integrated_lufs` is None where nothing passes the gates, `true_peak_dbtp` for silence and where it
    was not asked for."""

    integrated_lufs: float | None
    true_peak_dbtp: float | None


def quick(
    blocks: Iterable[NDArray[np.floating]], sample_rate: int, channels: int, *, peaks: bool = False
) -> Quick:
    """One stream's loudness; with `peaks` its true peak too. Raises ValueError for a layout that BS.1770
    does not know."""
    weights = channel_weights(channels)
    filters = [KWeighting(sample_rate) for _ in weights]
    energies = [StepEnergy(sample_rate) for _ in weights]
    meters = [TruePeakMeter(sample_rate, 1.0) for _ in weights] if peaks else []
    highest = 0.0
    for segment in recut(blocks, channels):
        for index, weight in enumerate(weights):
            samples = np.ascontiguousarray(segment[:, index])
            if peaks:
                meters[index].add(samples)
                highest = max(highest, float(np.abs(samples).max()))
            if weight:
                energies[index].add(filters[index].filter(samples))
    for meter in meters:
        meter.finish()
        highest = max(highest, float(meter.best))
    sums = [
        weight * energy.take_fine_sums() for weight, energy in zip(weights, energies, strict=True) if weight
    ]
    lufs = gating.integrated_lufs(step_energies(np.sum(sums, axis=0), sample_rate))
    return Quick(lufs, gain_to_db(highest) if peaks else None)


def gained(mix: Measurement, gain_db: float) -> Quick:
    """The same for the mix under plain gain, from its measurement: no pass is needed."""
    peak = mix.true_peak_dbtp
    factor = db_to_gain(gain_db) ** 2
    return Quick(gating.integrated_lufs(mix.series.energy * factor), None if peak is None else peak + gain_db)


TOLERANCE_LU = 0.1
"""A rung this near is reached."""
AIM_LU = 0.05
"""A pass this near ends the search."""
MOST_PASSES = 4
MOST_DRIVE_DB = 24.0
LEAST_DRIVE_DB = -60.0
LEAST_SLOPE = 0.05
CLOSE_DB = 1.0
"""A drive this near to the most is as good as the most."""
SLOPE_SPAN_DB = 0.5
"""Two passes nearer than this to one another say nothing about the slope."""
KEPT_DOWN = 0.75
"""Fitted to real music (four songs at −16 to −8 LUFS): most rungs are found by the first or second pass."""

SILENCE = 1e-10

Pass = Callable[[float], float | None]
"""A pass over the mix with that drive: the loudness that it gives, None where nothing passes the gates."""

Missed = Callable[[float], float]
"""What the closed form misses at a drive, in LU."""


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
    """The closed form: what loudness a drive would give. `untouched_db` is the most drive at which nothing
    acts yet: up to it the form is exact."""

    def __init__(self, mix: Measurement, ceiling_db: float) -> None:
        self._energy = mix.series.energy
        peaks = np.maximum(mix.series.true_peak.astype(np.float64), SILENCE)
        self._over_db = 20.0 * np.log10(peaks) - ceiling_db
        self.untouched_db = -float(self._over_db.max(initial=-MOST_DRIVE_DB))

    def integrated_lufs(self, drive_db: float) -> float | None:
        gain_db = drive_db - KEPT_DOWN * np.maximum(self._over_db + drive_db, 0.0)
        scaled: NDArray[np.float64] = self._energy * 10.0 ** (gain_db / 10.0)
        return gating.integrated_lufs(scaled)

    def drive_db(
        self, wanted_lufs: float, missed: Missed, low: float = LEAST_DRIVE_DB, high: float = MOST_DRIVE_DB
    ) -> float:
        """The drive between `low` and `high` at which the form, plus what it misses there, is `wanted_lufs`;
        `high` where it stays below."""
        for _ in range(30):
            middle = (low + high) / 2.0
            lufs = self.integrated_lufs(middle)
            below = lufs is None or lufs + missed(middle) < wanted_lufs
            low, high = (middle, high) if below else (low, middle)
        return high


def search(
    wanted_lufs: float,
    guess: Guess,
    loudness_at: Pass,
    most_passes: int = MOST_PASSES,
    aim_lu: float = AIM_LU,
) -> Found | None:
    """The drive for `wanted_lufs`, by at most `most_passes` calls of `loudness_at`, ended by one within
    `aim_lu`; None where nothing is loud enough to be measured."""
    points: list[tuple[float, float]] = []
    drive, why = _snapped(guess.drive_db(wanted_lufs, lambda _: 0.0)), ""
    for _ in range(most_passes):
        lufs = loudness_at(drive)
        if lufs is None:
            return None
        points.append((drive, lufs))
        if abs(lufs - wanted_lufs) <= aim_lu:
            break
        why = _hopeless(points, wanted_lufs)
        if why:
            break
        drive = _next(points, wanted_lufs, guess)
    least_lufs = -math.inf if why else wanted_lufs - AIM_LU
    best = max(points, key=lambda p: p[1]) if why else min(points, key=lambda p: abs(p[1] - wanted_lufs))
    best = _worth(points, best, least_lufs)
    while not why and len(points) < most_passes:
        between = _between(points, best, guess.untouched_db)
        if between is None:
            break
        points.append((between, loudness_at(between) or -math.inf))
        best = _worth(points, best, least_lufs)
    drive, lufs = best
    reached = abs(lufs - wanted_lufs) <= TOLERANCE_LU
    if not reached and not why:
        why = f"{most_passes} passes came no nearer"
    return Found(drive, lufs, reached, len(points), "" if reached else why)


def _worth(
    points: list[tuple[float, float]], best: tuple[float, float], least_lufs: float
) -> tuple[float, float]:
    """The least drive from which on, up to that of `best`, no dB brings LEAST_SLOPE; not under `least_lufs`,
    unless `best` is."""
    drive, lufs = best
    return min(
        point
        for point in points
        if point == best
        or (
            least_lufs <= point[1]
            and point[0] < drive
            and lufs - point[1] <= LEAST_SLOPE * (drive - point[0])
        )
    )


def _between(points: list[tuple[float, float]], best: tuple[float, float], least_db: float) -> float | None:
    """Halfway from `best` down to the next lower drive (at least `least_db`), where the curve is flat there;
    else None."""
    drive, lufs = best
    below = max((point[0] for point in points if point[0] < drive), default=least_db)
    slopes = [(lufs - y) / (drive - x) for x, y in points if abs(drive - x) > SLOPE_SPAN_DB]
    flat = min(slopes, default=1.0) <= LEAST_SLOPE
    return (below + drive) / 2.0 if flat and drive - below > SLOPE_SPAN_DB else None


def _hopeless(points: list[tuple[float, float]], wanted_lufs: float) -> str:
    """Why no further pass is worth it; empty where one is."""
    drive, lufs = max(points)
    if lufs > wanted_lufs:
        return ""
    below = [point for point in points if point[0] <= drive - SLOPE_SPAN_DB]
    if not below:
        return ""
    before, less = max(below)
    if lufs - less < LEAST_SLOPE * (drive - before):
        return f"beyond {before:.1f} dB of drive each dB adds less than {LEAST_SLOPE:g} LU"
    return f"even {MOST_DRIVE_DB:g} dB of drive is not enough" if drive >= MOST_DRIVE_DB else ""


def _next(points: list[tuple[float, float]], wanted_lufs: float, guess: Guess) -> float:
    """The drive of the next pass."""
    if len(points) == 1 and points[0][0] >= MOST_DRIVE_DB and points[0][1] < wanted_lufs:
        return points[0][0] / 2.0  # it cannot be reached: how much less would do as well?
    start = guess.untouched_db
    known = [(start, guess.integrated_lufs(start) or 0.0, 0.0)]
    known += [(drive, lufs, lufs - (guess.integrated_lufs(drive) or lufs)) for drive, lufs in points]
    known.sort(key=lambda one: abs(one[1] - wanted_lufs))
    curve = [(drive, missed) for drive, _, missed in known[:3]]
    low = max((drive for drive, lufs in points if lufs < wanted_lufs), default=LEAST_DRIVE_DB)
    high = min((drive for drive, lufs in points if lufs > wanted_lufs and drive > low), default=MOST_DRIVE_DB)
    drive = guess.drive_db(
        wanted_lufs, lambda drive: 0.0 if drive <= start else _through(curve, drive), low, high
    )
    return drive if any(lufs > wanted_lufs for _, lufs in points) else _snapped(drive)


def _snapped(drive_db: float) -> float:
    """A drive next to the most is the most: two passes so near to each other would say nothing."""
    return MOST_DRIVE_DB if drive_db > MOST_DRIVE_DB - CLOSE_DB else drive_db


def _through(places: list[tuple[float, float]], drive_db: float) -> float:
    """The polynomial through two or three places (Lagrange), at a drive."""
    total = 0.0
    for one, missed in places:
        share = missed
        for other, _ in places:
            if other != one:
                share *= (drive_db - other) / (one - other)
        total += share
    return total


STEPS_A_SECOND = 10


@dataclass(frozen=True, slots=True)
class Envelope:
    """`peak` is the linear maximum over all channels, `energy` the channel-weighted sum of K-weighted
    squares, both (rows,)."""

    sample_rate: int
    frames: int
    peak: NDArray[np.float32]
    energy: NDArray[np.float32]

    def integrated_lufs(self, drive_db: float, settings: MasteringSettings) -> float | None:
        """The loudness that the drive would give; None where nothing passes the gates."""
        if not self.peak.shape[0]:
            return None
        driven = self.peak * np.float32(db_to_gain(drive_db))
        rate = max(1, round(self.sample_rate / ROW))
        limiter = LimiterSettings(settings.ceiling_db, "sample", settings.look_ahead_ms, settings.fast_ms)
        release = TwoStageRelease(rate, settings)
        limited = limit_by([driven], 1, rate, limiter, release, ActionReport(), settings.hold_ms)
        after = np.concatenate([block[:, 0] for block in limited])
        gain = np.divide(after, driven, out=np.ones_like(driven), where=driven > 0.0).astype(np.float64)
        energy = self.energy * (gain * db_to_gain(drive_db + settings.output_gain_db)) ** 2
        count = self.frames * STEPS_A_SECOND // self.sample_rate
        step = (np.arange(energy.shape[0]) * ROW + ROW // 2) * STEPS_A_SECOND // self.sample_rate
        sums = np.bincount(step, energy, count)[:count].astype(np.float64)
        return gating.integrated_lufs(sums * (STEPS_A_SECOND / self.sample_rate))


def envelope(blocks: Iterable[NDArray[np.floating]], sample_rate: int, channels: int) -> Envelope:
    """One pass over the mix. Raises ValueError for a layout that BS.1770 does not know."""
    weights = channel_weights(channels)
    filters, screen = [KWeighting(sample_rate) for _ in weights], Screen()
    peaks, energies, frames = [], [], 0
    for segment in recut(blocks, channels):
        frames += segment.shape[0]
        rows = -(-segment.shape[0] // ROW)
        peak, energy = np.zeros(rows, np.float32), np.zeros(rows)
        for index, weight in enumerate(weights):
            samples = np.ascontiguousarray(segment[:, index])
            padded = np.pad(samples, (REACH, rows * ROW - samples.shape[0] + REACH))
            np.maximum(peak, screen.look(padded, REACH, rows).max(axis=0), out=peak)
            if weight:
                weighted = np.zeros(rows * ROW)
                weighted[: samples.shape[0]] = filters[index].filter(samples)
                energy += weight * np.square(weighted).reshape(rows, ROW).sum(axis=1)
        peaks.append(peak)
        energies.append(energy.astype(np.float32))
    return Envelope(sample_rate, frames, _joined(peaks), _joined(energies))


def _joined(parts: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)
