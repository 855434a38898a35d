"""Mastering of the demo's mix: the project's own limiter, judged by its own meter.

Conventions: mixes and masters are (frames, 2) float32; drives and reductions in dB. The search for
the drive is a secant over a few passes and has no randomness. The soft clip works at the file's own
rate, as plain clippers do, so that its result overshoots between samples: in the crushed master that
is part of the lesson.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.demo.modal import Values
from simulator.demo.score import Recipe
from simulator.dsp.limiter import limit_array
from simulator.dsp.mastering_limiter import soft_clipped
from simulator.metering.measurement import Measurement
from simulator.metering.meter import measure_array

Audio = NDArray[np.float32]
TOLERANCE_LU = 0.1
MOST_PASSES = 6
RIDE_FLOOR_LU = 20.0
"""A passage this far below the loudest is as good as silence to the ride."""


@dataclass(frozen=True, slots=True)
class Mastered:
    """A master, the gain that drove it, the passes it took and its measurement."""

    samples: Audio
    drive_db: float
    passes: int
    measurement: Measurement


def master(mix: Audio, sample_rate: int, recipe: Recipe) -> Mastered:
    """The mix, mastered as the recipe says. Raises ValueError where the mix is silent or the target is
    out of reach."""
    before = measure_array(mix, sample_rate)
    if recipe.peak_dbtp is not None:
        if before.true_peak_dbtp is None:
            raise ValueError("the mix has no peak: it is silent")
        gain_db = recipe.peak_dbtp - before.true_peak_dbtp
        return Mastered(_gained(mix, gain_db), gain_db, 1, before.with_gain(gain_db))
    assert recipe.target_lufs is not None  # Recipe.fault has seen to it
    if recipe.ride_ratio > 1.0:
        mix = ridden(mix, sample_rate, before, recipe.ride_ratio, recipe.ride_max_db)
        before = measure_array(mix, sample_rate)
    drive_db = recipe.target_lufs - _loudness(before)
    return _driven(mix, sample_rate, recipe, recipe.target_lufs, drive_db)


def _loudness(measurement: Measurement) -> float:
    if measurement.integrated_lufs is None:
        raise ValueError("the mix has no loudness: it is silent or shorter than 400 ms")
    return measurement.integrated_lufs


def _driven(mix: Audio, sample_rate: int, recipe: Recipe, target_lufs: float, drive_db: float) -> Mastered:
    tried: list[tuple[float, float]] = []
    for passes in range(1, MOST_PASSES + 1):
        samples = _gained(mix, drive_db)
        if recipe.clip_db is not None:
            samples = soft_clipped(samples, db_to_gain(recipe.ceiling_db + recipe.clip_db))
        samples, _ = limit_array(samples, sample_rate, recipe.limiter)
        after = measure_array(samples, sample_rate)
        reached = _loudness(after)
        short_db = target_lufs - reached
        if abs(short_db) <= TOLERANCE_LU:
            if recipe.detection == "true":  # the last hair by plain gain: the recipe leaves room for it
                samples, after = _gained(samples, short_db), after.with_gain(short_db)
            return Mastered(samples, drive_db, passes, after)
        tried.append((drive_db, reached))
        slope = 0.6  # of loudness over drive where limiting has begun; the secant corrects it
        if len(tried) > 1:
            (drive_a, loud_a), (drive_b, loud_b) = tried[-2:]
            slope = float(np.clip((loud_b - loud_a) / (drive_b - drive_a), 0.15, 1.0))
        drive_db += short_db / slope
    raise ValueError(f"{recipe.file}: {target_lufs} LUFS not reached in {MOST_PASSES} passes")


def _gained(samples: Audio, gain_db: float) -> Audio:
    return samples * np.float32(db_to_gain(gain_db))


def ridden(mix: Audio, sample_rate: int, measurement: Measurement, ratio: float, most_db: float) -> Audio:
    """The mix with its quiet passages brought up, as by a hand on the fader: the short-term loudness
    (3 s, centred) decides, drawn straight between points 100 ms apart."""
    gains = ride_gains_db(measurement.series.energy, ratio, most_db)
    places = (np.arange(len(gains)) + 0.5) * 0.1 * sample_rate
    curve = np.interp(np.arange(mix.shape[0]), places, gains) / 20.0
    return mix * (10.0**curve).astype(np.float32)[:, None]


def ride_gains_db(energy: Values, ratio: float, most_db: float) -> Values:
    """The ride's gain for each 100 ms step of K-weighted energy; 0 at the loudest passage."""
    window = np.hanning(31 + 2)[1:-1]  # 3.1 s to the edges
    smooth = np.convolve(energy, window, mode="same") / np.convolve(np.ones_like(energy), window, mode="same")
    level = 10.0 * np.log10(np.maximum(smooth, 1e-12))
    below = np.clip(level.max() - level, 0.0, RIDE_FLOOR_LU)
    return np.asarray(np.minimum(below * (1.0 - 1.0 / ratio), most_db), dtype=np.float64)
