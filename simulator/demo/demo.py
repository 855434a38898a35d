"""Files of the demo: the scores of demo_playlist become mixes, and the mixes masters.

Mixdown: each part is played, panned, balanced and sent to the room: a dozen early reflections a side, then a
noise tail whose bands decay at different rates, decorrelated left and right, convolved by overlap-add.
Internally planar stereo (2, frames) float32; the room's response has unit energy per channel and nothing
below 150 Hz.

Masters are made by the project's own limiter and measured by its own meter; the drive is found by the secant
method in a few passes. The soft clip works at the file's own rate, so it overshoots between the samples: in
the crushed master that is part of the lesson.

Texts come as a mapping from file stem to TOML text, the playlist under "playlist"; audio is (file stem,
sample rate in Hz, (frames, 2) float32). All randomness is seeded by the score: the same machine makes the
same bytes.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain, seconds_to_frames
from simulator.demo import score
from simulator.demo.performance import INSTRUMENTS, KIT_SOUNDS, Clock, play_part
from simulator.demo.score import Part, Recipe, Room, Score, ScoreError
from simulator.demo.synthesis import LN_1000, Samples, drawn
from simulator.dsp.limiter import limit_array
from simulator.dsp.mastering_limiter import soft_clipped
from simulator.metering.measurement import Measurement
from simulator.metering.meter import measure_array

SYNTHESIS_VERSION = 1
"""Raised when the same scores sound different."""
PLAYLIST = "playlist"
File = tuple[str, int, NDArray[np.float32]]


def fingerprint(texts: Mapping[str, str]) -> str:
    """16 hexadecimal digits for these texts as this version plays them: the name of the files' folder."""
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
    where playlist and scores name different files."""
    order = playing_order(texts)
    pieces = {name: read_score(name, text) for name, text in texts.items() if name != PLAYLIST}
    made = sorted(recipe.file for piece in pieces.values() for recipe in piece.head.master)
    if made != sorted(order):
        raise ScoreError(
            f"The scores produce {', '.join(made)}; the playlist lists {', '.join(sorted(order))}.",
            "Each track of the demo's playlist needs exactly one [[master]] of its name.",
        )
    first = {
        name: min(order.index(recipe.file) for recipe in piece.head.master) for name, piece in pieces.items()
    }
    return {name: pieces[name] for name in sorted(pieces, key=lambda name: first[name])}


def files(piece: Score) -> Iterator[File]:
    """The masters of one piece in the score's order, from one mix."""
    mix = compose(piece)
    rate = piece.head.sample_rate
    for recipe in piece.head.master:
        yield recipe.file, rate, master(mix, rate, recipe).samples


Audio = NDArray[np.float32]
TOLERANCE_LU = 0.1
MOST_PASSES = 6
RIDE_FLOOR_LU = 20.0
"""The ride goes no further than this below the loudest passage."""


@dataclass(frozen=True, slots=True)
class Mastered:
    """A master, the gain that drove it, the passes it took and its measurement."""

    samples: Audio
    drive_db: float
    passes: int
    measurement: Measurement


def master(mix: Audio, sample_rate: int, recipe: Recipe) -> Mastered:
    """The mix mastered by the recipe. Raises ValueError where the mix is silent or the target out of
    reach."""
    before = measure_array(mix, sample_rate)
    if recipe.peak_dbtp is not None:
        if before.true_peak_dbtp is None:
            raise ValueError("the mix has no peak: it is silent")
        gain_db = recipe.peak_dbtp - before.true_peak_dbtp
        return Mastered(_gained(mix, gain_db), gain_db, 1, before.with_gain(gain_db))
    assert recipe.target_lufs is not None  # Recipe.fault checks it
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
            if recipe.detection == "true":  # the last tenth by plain gain: the recipe leaves room for it
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
    """The mix with its quiet passages raised, as by a hand on the fader: by the short-term loudness (3 s,
    centred) of each 100 ms, with straight lines between; 0 dB at the loudest passage."""
    energy = measurement.series.energy
    window = np.hanning(31 + 2)[1:-1]  # 3.1 s to the edges
    smooth = np.convolve(energy, window, mode="same") / np.convolve(np.ones_like(energy), window, mode="same")
    level = 10.0 * np.log10(np.maximum(smooth, 1e-12))
    below = np.clip(level.max() - level, 0.0, RIDE_FLOOR_LU)
    gains_db = np.minimum(below * (1.0 - 1.0 / ratio), most_db)
    centres = (np.arange(len(gains_db)) + 0.5) * 0.1 * sample_rate
    curve = np.interp(np.arange(mix.shape[0]), centres, gains_db) / 20.0
    return mix * np.asarray(10.0**curve, dtype=np.float32)[:, None]


BLOCK = 1 << 18
ECHOES = 12


def impulse_response(room: Room, sample_rate: int, seed: int) -> Samples:
    """The room's impulse response, (2, frames), about 1.1 decays long."""
    rng = np.random.default_rng([seed, 17])
    frames = min(int(1.1 * room.decay_s * sample_rate), BLOCK // 2)
    seconds = np.arange(frames) / sample_rate
    bins = np.fft.rfftfreq(2 * frames, 1.0 / sample_rate)
    spectrum = np.fft.rfft(rng.standard_normal((2, 2 * frames)))
    high = 1.0 / (1.0 + (bins / room.damping_hz) ** 2)
    low_share = 1.0 / (1.0 + (bins / 600.0) ** 4)
    high_share = 1.0 - 1.0 / (1.0 + (bins / 3000.0) ** 4)
    shares = (low_share, 1.0 - low_share - high_share, high_share)
    tail = np.zeros((2, frames))
    for share, stretch in zip(shares, (1.1, 1.0, 0.55), strict=True):
        band = np.fft.irfft(spectrum * share * high, 2 * frames)[:, :frames]
        tail += band * np.exp(-LN_1000 * seconds / (room.decay_s * stretch))
    start = int(room.predelay_ms * 0.001 * sample_rate)
    build = int(0.03 * sample_rate)
    tail[:, :build] *= np.linspace(0.0, 1.0, build) ** 2
    response = np.zeros((2, frames))
    response[:, start:] = tail[:, : frames - start]
    response /= np.sqrt(np.sum(np.square(response), axis=1, keepdims=True))
    for side in range(2):
        when = start * 0.5 + np.sort(rng.uniform(0.003, 0.07, ECHOES)) * sample_rate
        strength = 0.32 * rng.choice([-1.0, 1.0], ECHOES) * np.exp(-(when / sample_rate) / 0.035)
        np.add.at(response[side], when.astype(int), strength)
    response = response / np.sqrt(np.sum(np.square(response), axis=1, keepdims=True))
    cut = 1.0 / (1.0 + (150.0 / np.maximum(bins, 1e-3)) ** 4)
    wave = np.fft.irfft(np.fft.rfft(response, 2 * frames) * cut, 2 * frames)[:, :frames]
    return np.asarray(wave, dtype=np.float32)


def convolve(send: Samples, response: Samples) -> Samples:
    """Each channel of `send` with that of `response`, cut to the length of `send`."""
    hop = BLOCK - response.shape[1] + 1
    frames = send.shape[1]
    spectrum = np.fft.rfft(response, BLOCK)
    wet = np.zeros((2, frames + BLOCK), dtype=np.float32)
    for start in range(0, frames, hop):
        block = np.fft.rfft(send[:, start : start + hop], BLOCK)
        wet[:, start : start + BLOCK] += np.fft.irfft(block * spectrum, BLOCK)
    return wet[:, :frames]


DUCK_RETURN_S = 0.24
"""Time in which a ducked part recovers after the kick."""


def compose(score: Score) -> NDArray[np.float32]:
    """The mix of a piece, (frames, 2) float32, peaks where they fall."""
    head = score.head
    clock = Clock(score)
    frames = seconds_to_frames(clock.end_s, head.sample_rate)
    dry = np.zeros((2, frames), dtype=np.float32)
    send = np.zeros((2, frames), dtype=np.float32)
    duck = _duck_curve(score, clock, frames)
    for index, part in enumerate(score.parts):
        rng = np.random.default_rng([head.seed, index])
        bus = play_part(part, clock, frames, head.sample_rate, rng)
        bus = _treated(bus, part, duck, head.sample_rate)
        dry += bus
        bus *= np.float32(db_to_gain(part.text.room_db))
        send += bus
    response = impulse_response(head.room, head.sample_rate, head.seed)
    dry += convolve(send, response) * np.float32(db_to_gain(head.room.level_db))
    if head.drive_db > 0.0:
        dry = saturated(dry, head.drive_db)
    return np.ascontiguousarray(_without_rumble(dry, head.sample_rate).T)


def saturated(bus: Samples, drive_db: float) -> Samples:
    """A bus driven into a soft saturation (tanh), small signals at their level."""
    drive = np.float32(db_to_gain(drive_db))
    return np.asarray(np.tanh(bus * drive) / drive, dtype=np.float32)


def _treated(bus: Samples, part: Part, duck: Samples | None, sample_rate: int) -> Samples:
    text = part.text
    if text.drive_db > 0.0:
        bus = saturated(bus, text.drive_db)
    bus *= np.float32(db_to_gain(text.level_db))
    if text.duck_db > 0.0 and duck is not None:
        bus *= 1.0 - duck * np.float32(1.0 - db_to_gain(-text.duck_db))
    if bus.shape[0] == 1:
        angle = 0.25 * np.pi * (1.0 + text.pan)  # equal power
        bus = bus * (np.sqrt(2.0) * np.array([[np.cos(angle)], [np.sin(angle)]])).astype(np.float32)
    else:
        left, right = min(1.0, 1.0 - text.pan), min(1.0, 1.0 + text.pan)
        if text.width != 1.0:
            other = np.float32(0.5 - 0.5 * text.width) * (bus[1] - bus[0])
            bus[0] += other
            bus[1] -= other
        if text.pan != 0.0:
            bus *= np.array([[left], [right]], dtype=np.float32)
    if text.tremolo_hz > 0.0:
        sway = np.sin(np.arange(bus.shape[1]) * (2.0 * np.pi * text.tremolo_hz / sample_rate)).astype(
            np.float32
        )
        bus[0] *= 1.0 + np.float32(0.22) * sway
        bus[1] *= 1.0 - np.float32(0.22) * sway
    return np.asarray(bus, dtype=np.float32)


def _duck_curve(score: Score, clock: Clock, frames: int) -> Samples | None:
    """The side chain: 1 at each kick, back to 0 in DUCK_RETURN_S; None where no part ducks."""
    if not any(part.text.duck_db > 0.0 for part in score.parts):
        return None
    rate = score.head.sample_rate
    shape = (1.0 - np.linspace(0.0, 1.0, int(DUCK_RETURN_S * rate))) ** 1.5
    rise = int(0.003 * rate)
    shape[:rise] *= np.linspace(0.0, 1.0, rise)
    curve = np.zeros(frames, dtype=np.float32)
    for part in score.parts:
        for passage in part.passages:
            for note in passage.notes:
                if note.sound != "kick":
                    continue
                start = seconds_to_frames(clock.seconds(passage.section.start_beat + note.start_beat), rate)
                window = curve[start : start + len(shape)]
                np.maximum(window, shape[: len(window)], out=window, casting="same_kind")
    return curve


def _without_rumble(mix: Samples, sample_rate: int) -> Samples:
    """The mix without content below about 25 Hz, including DC: less its low-pass, a Gaussian over the means
    of short blocks, with straight lines between."""
    block = 64
    count = -(-mix.shape[1] // block)
    padded = np.zeros((2, count * block), dtype=np.float32)
    padded[:, : mix.shape[1]] = mix
    means = padded.reshape(2, count, block).mean(axis=2, dtype=np.float64)
    # centred, so zero-phase: a Gaussian of about 20 Hz
    width = 0.13 / 20.0 * sample_rate / block
    reach = int(4 * width)
    window = np.exp(-0.5 * np.square(np.arange(-reach, reach + 1) / width))
    window /= window.sum()
    slow = np.stack([np.convolve(side, window, mode="same") for side in means]).astype(np.float32)
    edges = np.concatenate([slow[:, :1], 0.5 * (slow[:, 1:] + slow[:, :-1]), slow[:, -1:]], axis=1)
    return np.asarray(mix - drawn(edges, block, mix.shape[1]).astype(np.float32), dtype=np.float32)
