"""Struck and plucked instruments: strings, tines, bars, skins.

Each instrument turns a pitch and a velocity into its whole natural decay, as a sum of decaying
partials (see `modal`) and, where a hand or a hammer is heard, a short noise. The mixdown cuts notes
to length with the instrument's damping.

Conventions: result (1 or 2, frames) float32; the first 0.3 s have an rms of 0.1 whatever the pitch
and velocity (the mixdown applies the velocity's level); two channels where the instrument is wide.
Source: modes of ideal strings, bars and membranes (textbook values, from memory); the rest by ear
and spectrum, the project's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulator.demo.spectra import (
    Resonance,
    Samples,
    Values,
    decaying_partials,
    exponential,
    fade,
    low_pass,
    resonances,
    shaped_noise,
)

NOTE_RMS = 0.1
KNOCK = [(60.0, -20.0), (150.0, 0.0), (900.0, -3.0), (3500.0, -10.0), (9000.0, -40.0)]
RMS_SECONDS = 0.3
Maker = Callable[[float, float, float, int, np.random.Generator], Samples]
"""(pitch in Hz, velocity, seconds wanted, sample rate, random numbers) to the note."""


@dataclass(frozen=True, slots=True)
class Struck:
    """How to make the ringing note, and how fast it is damped when the note ends."""

    make: Maker
    release_s: float


@dataclass(frozen=True, slots=True)
class String:
    """A plucked string on a body: where it is plucked (share of its length), how dark the pluck is, how
    long it rings at 110 Hz, how much faster the high partials die, how stiff it is, and the body."""

    place: float
    slope: float
    t60_s: float
    damping: float
    stiffness: float
    body: tuple[Resonance, ...]
    knock: float
    seconds: float
    corner_hz: float = 7000.0

    def __call__(
        self, hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
    ) -> Samples:
        frames = int(min(seconds, self.seconds) * sample_rate)
        number = np.arange(1.0, min(70.0, 9000.0 / hertz) + 1.0)
        partials = hertz * number * np.sqrt(1.0 + self.stiffness * np.square(number))
        level = np.sin(np.pi * number * self.place) * number ** -(self.slope - 0.5 * velocity)
        level *= resonances(partials, self.body, 0.5) * low_pass(
            partials, self.corner_hz * (0.4 + velocity), 1.5
        )
        decay = self.t60_s * (110.0 / hertz) ** 0.45 / (1.0 + self.damping * (partials / 1000.0) ** 1.1)
        # the two directions in which a string swings: a little apart in pitch, one dies sooner
        note = decaying_partials(
            np.concatenate([partials, partials * 1.0006]),
            np.concatenate([level, 0.5 * level]),
            np.concatenate([decay, 0.5 * decay]),
            frames,
            sample_rate,
            rng.uniform(-0.5, 0.5, 2 * len(number)) * np.pi,
        )
        fade(note, sample_rate, 0.0012, 0.02)
        if self.knock > 0.0:
            peak = float(np.max(np.abs(note)))
            knock = _knock(rng, sample_rate, 0.045, KNOCK)
            note[: len(knock)] += knock * np.float32(self.knock * peak)
        return _levelled(note[None, :], sample_rate)


def _knock(
    rng: np.random.Generator, sample_rate: int, t60_s: float, curve: list[tuple[float, float]]
) -> Samples:
    """The thump of a hand, a hammer or a mallet, faded in over a millisecond."""
    length = int(1.2 * t60_s * sample_rate)
    noise = shaped_noise(rng, length, sample_rate, curve) * exponential(length, sample_rate, t60_s)
    return fade(noise, sample_rate, 0.001, 0.01)


def _levelled(note: Samples, sample_rate: int) -> Samples:
    start = note[:, : int(RMS_SECONDS * sample_rate)]
    rms = float(np.sqrt(np.mean(np.square(start))))
    return np.asarray(note * np.float32(NOTE_RMS / rms), dtype=np.float32)


def _wide(
    partials: Values,
    level: Values,
    decay: Values,
    seconds: float,
    sample_rate: int,
    rng: np.random.Generator,
    cents: float,
    turn: float,
) -> Samples:
    """Two channels that differ by `cents` of tuning and up to `turn` radians of phase."""
    phases = rng.uniform(-np.pi, np.pi, len(partials))
    sides = [
        decaying_partials(
            partials * 2.0 ** (sign * cents / 2400.0),
            level,
            decay,
            int(seconds * sample_rate),
            sample_rate,
            phases + sign * rng.uniform(0.0, turn, len(partials)),
        )
        for sign in (-1.0, 1.0)
    ]
    return fade(np.stack(sides), sample_rate, 0.001, 0.05)


def _electric_piano(
    hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    number = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.13, 20.6])
    hard = velocity * np.sqrt(min(1.0, 330.0 / hertz))
    level = np.array(
        [1.0, 0.5 * hard, 0.36 * hard, 0.2 * hard**2, 0.08 * hard**2, 0.04 * hard**2, 0.1, 0.035]
    )
    level[6:] *= 0.4 + velocity
    decay = 7.0 * (220.0 / hertz) ** 0.5 / (1.0 + 0.45 * (number - 1.0))
    decay[6:] = (0.5, 0.2)
    note = _wide(hertz * number, level, decay, min(seconds, 3.5), sample_rate, rng, 2.2, 0.5)
    thump = _knock(rng, sample_rate, 0.03, [(60, -6), (250, 0), (1200, -14), (5000, -40)])
    note[:, : len(thump)] += thump * np.float32(0.12)
    return _levelled(note, sample_rate)


def _piano(
    hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    number = np.arange(1.0, min(40.0, 8500.0 / hertz) + 1.0)
    partials = hertz * number * np.sqrt(1.0 + 0.00035 * (hertz / 220.0) ** 0.8 * np.square(number))
    hammer = np.exp(-partials / (450.0 + 2300.0 * velocity**1.3)) * number**-0.35
    level = (
        hammer
        * np.abs(np.sin(np.pi * number / 7.6) + 0.05)
        * resonances(partials, ((180.0, 200.0, 0.5),), 0.8)
    )
    decay = 11.0 * (110.0 / hertz) ** 0.55 / (1.0 + 0.35 * (partials / 1000.0) ** 1.2)
    # two strings a fraction of a cent apart: a fast first decay and a slow after-sound
    both = _wide(
        np.concatenate([partials, partials * 1.0004]),
        np.concatenate([level, 0.3 * level]),
        np.concatenate([0.3 * decay, decay]),
        min(seconds, 4.0),
        sample_rate,
        rng,
        0.0,
        0.8,
    )
    knock = _knock(rng, sample_rate, 0.06, [(50, -10), (120, 0), (500, -6), (2500, -18), (8000, -45)])
    both[:, : len(knock)] += knock * np.float32(0.25 * np.max(np.abs(both)))
    return _levelled(both, sample_rate)


def _synth_bass(
    hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    number = np.arange(1.0, min(48.0, 5000.0 / hertz) + 1.0)
    level = number**-1.0 * low_pass(hertz * number, 500.0 + 1600.0 * velocity, 1.0)
    level[0] *= 1.5
    decay = 6.0 / (1.0 + 0.55 * (number - 1.0))  # the filter closes: the upper partials die first
    note = decaying_partials(
        hertz * number, level, decay, int(min(seconds, 2.5) * sample_rate), sample_rate, 0.25 * np.pi
    )
    del rng
    return _levelled(fade(note, sample_rate, 0.003, 0.02)[None, :], sample_rate)


def _synth_pluck(
    hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    number = np.arange(1.0, min(40.0, 12000.0 / hertz) + 1.0)
    level = number**-0.9 * low_pass(hertz * number, 1500.0 + 5000.0 * velocity, 1.0)
    decay = 1.1 / (1.0 + 0.35 * (number - 1.0))
    return _levelled(
        _wide(hertz * number, level, decay, min(seconds, 1.2), sample_rate, rng, 7.0, 0.6), sample_rate
    )


def _bars(
    hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    modes = np.array([1.0, 2.756, 5.404, 8.933])  # a free bar
    level = np.array([1.0, 0.4 * velocity, 0.18 * velocity, 0.08 * velocity])
    note = _wide(
        hertz * modes, level, np.array([3.6, 1.6, 0.7, 0.3]), min(seconds, 3.5), sample_rate, rng, 0.6, 0.7
    )
    return _levelled(note, sample_rate)


def _timpani(
    hertz: float, velocity: float, seconds: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    modes = np.array([0.63, 1.0, 1.5, 1.99, 2.44, 2.9, 3.4])  # a loaded kettle: 1 : 1.5 : 2 : 2.44
    level = np.array([0.35, 1.0, 0.7, 0.45 * velocity, 0.35 * velocity, 0.25 * velocity, 0.2 * velocity])
    decay = np.array([0.35, 2.6, 1.9, 1.4, 1.0, 0.7, 0.5])
    note = _wide(hertz * modes, level, decay, min(seconds, 3.0), sample_rate, rng, 0.3, 0.5)
    stroke = _knock(rng, sample_rate, 0.07, [(50, -6), (160, 0), (700, -8), (3000, -24), (9000, -50)])
    note[:, : len(stroke)] += stroke * np.float32(0.5 + 0.6 * velocity)
    return _levelled(note, sample_rate)


STEEL_BODY = ((105.0, 40.0, 1.0), (210.0, 60.0, 1.1), (400.0, 160.0, 0.5), (2600.0, 2500.0, 0.4))
NYLON_BODY = ((98.0, 36.0, 1.0), (195.0, 60.0, 1.2), (380.0, 170.0, 0.6), (1900.0, 1800.0, 0.2))
HARP_BODY = ((180.0, 200.0, 0.6), (600.0, 500.0, 0.5))
FLAT_BODY = ((80.0, 80.0, 0.4), (700.0, 700.0, 0.35))
VIOLIN_BODY = ((280.0, 120.0, 1.0), (460.0, 160.0, 0.8))

STRUCK: dict[str, Struck] = {
    "steel_guitar": Struck(String(0.17, 1.2, 5.0, 0.9, 0.00006, STEEL_BODY, 0.18, 4.0), 0.09),
    "nylon_guitar": Struck(String(0.21, 1.65, 4.2, 2.2, 0.00002, NYLON_BODY, 0.11, 4.0, 5500.0), 0.12),
    "harp": Struck(String(0.31, 1.75, 7.0, 1.6, 0.00002, HARP_BODY, 0.05, 4.0, 5000.0), 0.5),
    "pizzicato": Struck(String(0.23, 1.6, 0.9, 2.5, 0.00003, VIOLIN_BODY, 0.15, 0.9, 4500.0), 0.15),
    "electric_bass": Struck(String(0.22, 1.9, 6.0, 5.0, 0.00004, FLAT_BODY, 0.04, 3.0, 2200.0), 0.05),
    "electric_piano": Struck(_electric_piano, 0.14),
    "piano": Struck(_piano, 0.18),
    "synth_bass": Struck(_synth_bass, 0.03),
    "synth_pluck": Struck(_synth_pluck, 0.12),
    "bars": Struck(_bars, 0.6),
    "timpani": Struck(_timpani, 0.5),
}
