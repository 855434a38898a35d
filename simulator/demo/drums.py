"""Drums: skins, wires, sticks and bronze.

A skin is a sine of falling pitch, or a few membrane modes; snare wires, hats and the wash of a cymbal are
shaped noise; bronze adds a cloud of inharmonic partials; a stick or a beater is a click of a few
milliseconds. Sounds are (frames,) float32, peak 1 before the kit's level; a louder hit is also brighter.
Membrane modes 1, 1.59, 2.14, 2.30, 2.65, 2.92 (ideal circular membrane, textbook values from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulator.demo.synthesis import Samples, decaying_partials, exponential, fade, shaped_noise

Maker = Callable[[float, int, np.random.Generator], Samples]
MEMBRANE = np.array([1.0, 1.59, 2.14, 2.30, 2.65, 2.92])


@dataclass(frozen=True, slots=True)
class Drum:
    """One sound of a kit: how it is made, its pan (-1 left to 1 right) and its level in the kit."""

    make: Maker
    pan: float
    level_db: float


def _peak_one(sound: Samples) -> Samples:
    return np.asarray(sound / np.float32(np.max(np.abs(sound))), dtype=np.float32)


def _falling_sine(frames: int, rate: int, start_hz: float, end_hz: float, fall_s: float) -> Samples:
    seconds = np.arange(frames) / rate
    turns = end_hz * seconds + (start_hz - end_hz) * fall_s * (1.0 - np.exp(-seconds / fall_s))
    return np.sin(2.0 * np.pi * turns).astype(np.float32)


def _kick(start_hz: float, end_hz: float, fall_s: float, t60_s: float, click: float) -> Maker:
    def make(velocity: float, rate: int, rng: np.random.Generator) -> Samples:
        frames = int(min(0.9, 0.8 * t60_s) * rate)
        body = _falling_sine(frames, rate, start_hz * (0.7 + 0.3 * velocity), end_hz, fall_s)
        body *= exponential(frames, rate, t60_s)
        beater = shaped_noise(rng, int(0.012 * rate), rate, [(300, -18), (1800, 0), (4500, -2), (9000, -22)])
        beater *= exponential(len(beater), rate, 0.012) * np.float32(click * (0.4 + 0.6 * velocity))
        body[: len(beater)] += beater
        return _peak_one(fade(body, rate, 0.0006, 0.03))

    return make


def _snare(body_hz: float, t60_s: float, wires: float, bright_db: float) -> Maker:
    def make(velocity: float, rate: int, rng: np.random.Generator) -> Samples:
        frames = int(min(0.6, 1.1 * t60_s) * rate)
        level = np.array([1.0, 0.55, 0.3, 0.3, 0.2, 0.15]) * rng.uniform(0.8, 1.2, 6)
        decay = np.array([0.30, 0.2, 0.15, 0.13, 0.1, 0.1])
        skin = decaying_partials(body_hz * MEMBRANE, level, decay, frames, rate, rng.uniform(0.5, 1.5, 6))
        tilt = bright_db - 8.0 * (1.0 - velocity)
        curve = [(120.0, -24.0), (350.0, -7.0), (1500.0, -3.0)]
        curve += [(5000.0, tilt), (9000.0, tilt - 5), (16000.0, tilt - 18)]
        noise = shaped_noise(rng, frames, rate, curve) * exponential(frames, rate, t60_s)
        noise += 0.7 * noise * exponential(frames, rate, 0.03)  # the snap
        sound = skin * np.float32(0.75) + noise * np.float32(0.3 * wires * (0.5 + 0.5 * velocity))
        return _peak_one(fade(sound, rate, 0.0005, 0.05))

    return make


def _tom(hertz: float) -> Maker:
    def make(velocity: float, rate: int, rng: np.random.Generator) -> Samples:
        frames = int(0.8 * rate)
        fall = _falling_sine(frames, rate, hertz * (1.15 + 0.35 * velocity), hertz, 0.05)
        fall *= exponential(frames, rate, 0.75)
        level = 0.35 * np.array([0.0, 1.0, 0.7, 0.5, 0.4, 0.3])
        fall += decaying_partials(hertz * MEMBRANE, level, np.full(6, 0.28), frames, rate)
        stick = shaped_noise(rng, int(0.02 * rate), rate, [(200, -12), (1200, 0), (4000, -8), (9000, -26)])
        fall[: len(stick)] += stick * exponential(len(stick), rate, 0.02) * np.float32(0.3 * velocity)
        return _peak_one(fade(fall, rate, 0.0008, 0.06))

    return make


def _bronze(
    t60_s: float, seconds: float, low_hz: float, noise_hz: float, ring: float, rise_s: float, dark: float
) -> Maker:
    """Hats and cymbals: noise above `noise_hz` and a cloud of partials from `low_hz` up."""

    def make(velocity: float, rate: int, rng: np.random.Generator) -> Samples:
        frames = int(seconds * rate)
        curve = [(noise_hz * 0.25, -40.0), (noise_hz * 0.6, -14.0), (noise_hz, -2.0), (noise_hz * 1.5, 0.0)]
        curve += [(13000.0, -4.0 - dark - 6.0 * (1.0 - velocity)), (19000.0, -16.0 - dark)]
        noise = shaped_noise(rng, frames, rate, curve) * exponential(frames, rate, t60_s)
        partials = low_hz * (1.0 + 12.0 * rng.random(40) ** 1.3)
        level = rng.uniform(0.3, 1.0, 40) * np.exp(-0.5 * np.square((partials / noise_hz - 1.0) / 0.8))
        decay = t60_s * rng.uniform(0.5, 1.3, 40)
        cloud = decaying_partials(partials, level, decay, frames, rate, rng.uniform(-np.pi, np.pi, 40))
        cloud *= np.float32(ring / np.sqrt(np.mean(np.square(cloud[: frames // 4]))))
        stick = exponential(frames, rate, 0.02) * np.float32(0.8 * velocity)
        sound = noise * (1.0 + stick) + cloud * np.float32(0.4)
        return _peak_one(fade(sound, rate, max(0.0006, rise_s * (1.2 - velocity)), 0.3 * seconds))

    return make


def _burst(curve: list[tuple[float, float]], t60_s: float, bounces_ms: tuple[float, ...]) -> Maker:
    """Claps, shakers, brushes: bursts of one noise, the last of which rings out."""

    def make(velocity: float, rate: int, rng: np.random.Generator) -> Samples:
        frames = int(1.1 * t60_s * rate) + int(0.05 * rate)
        dulled = [(hertz, level - 6.0 * (1.0 - velocity) * (hertz > 4000.0)) for hertz, level in curve]
        sound = np.zeros(frames, dtype=np.float32)
        for order, bounce in enumerate(bounces_ms):
            start = int(bounce * 0.001 * rate)
            last = order == len(bounces_ms) - 1
            length = frames - start
            decay = exponential(length, rate, t60_s if last else 0.022)
            sound[start:] += shaped_noise(rng, length, rate, dulled) * decay * np.float32(0.6 + 0.4 * last)
        return _peak_one(fade(sound, rate, 0.002 if len(bounces_ms) == 1 else 0.0008, 0.03))

    return make


def _rim(velocity: float, rate: int, rng: np.random.Generator) -> Samples:
    frames = int(0.12 * rate)
    partials, level = np.array([420.0, 1180.0, 1710.0, 2900.0]), np.array([0.5, 1.0, 0.7, 0.4])
    sound = decaying_partials(partials, level, np.full(4, 0.09), frames, rate)
    tick = shaped_noise(rng, 256, rate, [(500, -12), (2500, 0), (8000, -9)])
    sound[:256] += tick * exponential(256, rate, 0.005) * np.float32(0.6 * velocity)
    return _peak_one(fade(sound, rate, 0.0005, 0.02))


CLAP = [(300.0, -30.0), (900.0, -4.0), (1400.0, 0.0), (3500.0, -6.0), (9000.0, -14.0), (16000.0, -30.0)]
SHAKER = [(1500.0, -40.0), (4000.0, -10.0), (7000.0, 0.0), (11000.0, -3.0), (18000.0, -20.0)]
BRUSH = [(150.0, -24.0), (500.0, -8.0), (2500.0, -3.0), (6000.0, -4.0), (12000.0, -16.0)]
HAT = _bronze(0.09, 0.14, 2600.0, 7500.0, 0.3, 0.0008, 0.0)
OPEN_HAT = _bronze(0.55, 0.5, 2400.0, 7200.0, 0.3, 0.001, 0.0)
RIDE = _bronze(1.9, 1.6, 1700.0, 5600.0, 0.45, 0.001, 3.0)
CRASH = _bronze(2.6, 2.6, 900.0, 4300.0, 0.35, 0.003, 3.0)

KITS: dict[str, dict[str, Drum]] = {
    "studio_kit": {
        "kick": Drum(_kick(165.0, 52.0, 0.022, 0.42, 0.32), 0.0, 0.0),
        "snare": Drum(_snare(186.0, 0.30, 1.0, -1.0), 0.06, -1.0),
        "rim": Drum(_rim, 0.12, -9.0),
        "brush": Drum(_burst(BRUSH, 0.2, (0.0,)), 0.1, -10.0),
        "hat": Drum(HAT, 0.34, -15.0),
        "open_hat": Drum(OPEN_HAT, 0.34, -15.5),
        "ride": Drum(RIDE, -0.36, -16.5),
        "crash": Drum(CRASH, -0.5, -9.0),
        "crash_right": Drum(CRASH, 0.55, -10.0),
        "tom_high": Drum(_tom(168.0), 0.3, -3.0),
        "tom_mid": Drum(_tom(122.0), -0.1, -3.0),
        "tom_low": Drum(_tom(84.0), -0.4, -2.5),
        "shaker": Drum(_burst(SHAKER, 0.09, (0.0,)), -0.45, -20.0),
    },
    "club_kit": {
        "kick": Drum(_kick(240.0, 47.0, 0.03, 0.55, 0.22), 0.0, 0.0),
        "snare": Drum(_snare(205.0, 0.22, 1.2, 0.0), 0.0, -5.0),
        "clap": Drum(_burst(CLAP, 0.24, (0.0, 9.0, 19.0, 27.0)), 0.0, -6.5),
        "hat": Drum(HAT, 0.25, -17.0),
        "open_hat": Drum(OPEN_HAT, -0.2, -13.5),
        "ride": Drum(RIDE, 0.4, -18.0),
        "crash": Drum(CRASH, -0.3, -10.0),
        "shaker": Drum(_burst(SHAKER, 0.07, (0.0,)), 0.5, -21.0),
        "tom_low": Drum(_tom(95.0), -0.3, -6.0),
    },
    "orchestral_percussion": {
        "drum": Drum(_kick(92.0, 44.0, 0.06, 1.3, 0.06), 0.1, 0.0),
        "cymbal": Drum(CRASH, -0.25, -5.0),
        "snare": Drum(_snare(198.0, 0.26, 1.1, -2.0), 0.25, -9.0),
    },
}
