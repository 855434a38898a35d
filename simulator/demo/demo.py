"""Files of the demo: how the texts of demo_playlist become mixes and masters.

The masters are made by the project's own limiter and judged by its own meter; the search for the drive is a
secant over a few passes and has no randomness. The soft clip works at the file's own rate, as plain clippers
do, so that its result overshoots between samples: in the crushed master that is part of the lesson.

Conventions: the texts come in as a mapping from file stem to TOML text, the playlist under "playlist"
(`engine/demo_folder` reads them); audio goes out as (file stem, sample rate in Hz, (frames, 2) float32
samples); drives and reductions in dB. Nothing is read or written here. The pieces are independent, so that
the caller may make each score's files in a process of its own.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.demo import score
from simulator.demo.mixdown import compose
from simulator.demo.modal import Values
from simulator.demo.players import INSTRUMENTS, KIT_SOUNDS
from simulator.demo.score import Recipe, Score, ScoreError
from simulator.dsp.limiter import limit_array
from simulator.dsp.mastering_limiter import soft_clipped
from simulator.metering.measurement import Measurement
from simulator.metering.meter import measure_array

SYNTHESIS_VERSION = 1
"""Raised when the code makes other sound from the same scores."""
PLAYLIST = "playlist"
File = tuple[str, int, NDArray[np.float32]]


def fingerprint(texts: Mapping[str, str]) -> str:
    """16 hexadecimal digits that stand for these texts as this version plays them: the name of the
    folder in which the files are kept."""
    digest = hashlib.sha256(f"synthesis {SYNTHESIS_VERSION}\n".encode())
    for name in sorted(texts):
        text = texts[name].replace("\r\n", "\n")
        digest.update(f"{name} {len(text)}\n{text}\n".encode())
    return digest.hexdigest()[:16]


def read_score(name: str, text: str) -> Score:
    """The checked score of a TOML text; raises ScoreError."""
    return score.parse(name, text, INSTRUMENTS, KIT_SOUNDS)


def playing_order(texts: Mapping[str, str]) -> tuple[str, ...]:
    """The file stems in the playlist's order."""
    tracks = tomllib.loads(texts[PLAYLIST])["tracks"]
    return tuple(PurePosixPath(track["path"]).stem for track in tracks)


def scores(texts: Mapping[str, str]) -> dict[str, Score]:
    """The checked scores by name, in the order in which the playlist first needs them. Raises ScoreError
    where playlist and scores do not name the same files."""
    order = playing_order(texts)
    found = {name: read_score(name, text) for name, text in texts.items() if name != PLAYLIST}
    made = sorted(recipe.file for piece in found.values() for recipe in piece.head.master)
    if made != sorted(order):
        raise ScoreError(
            f"The scores produce {', '.join(made)}; the playlist lists {', '.join(sorted(order))}.",
            "Each track of the demo's playlist needs exactly one [[master]] of its name.",
        )
    first = {
        name: min(order.index(recipe.file) for recipe in piece.head.master) for name, piece in found.items()
    }
    return {name: found[name] for name in sorted(found, key=lambda name: first[name])}


def files(piece: Score) -> Iterator[File]:
    """The masters of one piece, in the score's order; the mix is made once."""
    mix = compose(piece)
    rate = piece.head.sample_rate
    for recipe in piece.head.master:
        yield recipe.file, rate, master(mix, rate, recipe).samples


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
