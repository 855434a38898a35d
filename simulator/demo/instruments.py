"""Pitched instruments: struck and plucked ones that ring, sections and pads, and single voices.

- A spectrum maps harmonic numbers, their frequencies (Hz) and a velocity (0 to 1) to amplitudes; harder
  playing flattens its slope, which more than level sounds "loud". Resonances are the project's own round
  values after acoustics textbooks on vowels, string bodies and bells (from memory).
- A *struck* instrument (strings, tines, bars, skins) turns pitch and velocity into its whole natural decay: a
  sum of decaying partials, with a short noise for the hand or hammer; the performance cuts notes with its
  damping. Result (1 or 2, frames) float32; the first 0.3 s have an rms of 0.1 at any pitch and velocity.
  Modes of ideal strings, bars and membranes: textbook values, from memory; the rest by ear and spectrum, the
  project's own.
- An *ensemble* (many players or detuned oscillators) is made in the frequency domain: each harmonic is a
  narrow bell of random bins, and one inverse FFT gives a chorus that loops without a seam: (2, frames), rms
  0.1 a channel.
- A *solo* (voice, bowed, blown) is one phase through the whole phrase, with glides, vibrato and swells, read
  from a table of one period for each note: (frames,), rms 0.1 at gain 1. Pitches are in semitones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulator.demo.pattern import frequency_hz
from simulator.demo.synthesis import (
    Samples,
    Values,
    decaying_partials,
    drawn,
    exponential,
    fade,
    shaped_noise,
)

Spectrum = Callable[[Values, Values, float], Values]
Resonance = tuple[float, float, float]
"""Centre in Hz, bandwidth in Hz, gain over the floor."""


def resonances(hertz: Values, peaks: tuple[Resonance, ...], floor: float) -> Values:
    """The floor plus a bell at each resonance."""
    total = np.full_like(hertz, floor)
    for centre, width, gain in peaks:
        total += gain / (1.0 + np.square((hertz - centre) / (0.5 * width)))
    return total


def low_pass(hertz: Values, corner_hz: float, order: float) -> Values:
    """A gentle roll-off: half power at the corner, 6·order dB an octave above it."""
    return np.asarray((1.0 + np.square(hertz / corner_hz)) ** (-0.5 * order), dtype=np.float64)


def _voice(peaks: tuple[Resonance, ...], slope: float) -> Spectrum:
    def spectrum(number: Values, hertz: Values, velocity: float) -> Values:
        source = number ** -(slope - 0.45 * velocity)
        return source * resonances(hertz, peaks, 0.1) * low_pass(hertz, 5200.0, 2.0)

    return spectrum


AH = ((760.0, 190.0, 1.0), (1260.0, 380.0, 0.6), (2750.0, 420.0, 0.5), (3500.0, 420.0, 0.24))
OH = ((500.0, 170.0, 1.0), (900.0, 180.0, 0.6), (2600.0, 320.0, 0.18), (3300.0, 420.0, 0.12))
BOWED_BODY = ((280.0, 90.0, 0.7), (460.0, 140.0, 0.8), (1100.0, 600.0, 0.6), (2700.0, 1500.0, 0.7))
CELLO_BODY = ((105.0, 40.0, 0.6), (190.0, 60.0, 0.8), (420.0, 250.0, 0.6), (1400.0, 900.0, 0.45))


def _bowed(number: Values, hertz: Values, velocity: float) -> Values:
    corner = 2200.0 + 3800.0 * velocity
    return number**-1.0 * resonances(hertz, BOWED_BODY, 0.5) * low_pass(hertz, corner, 2.0)


def _cello(number: Values, hertz: Values, velocity: float) -> Values:
    corner = 900.0 + 2200.0 * velocity
    return number**-1.0 * resonances(hertz, CELLO_BODY, 0.4) * low_pass(hertz, corner, 2.0)


def _flute(number: Values, hertz: Values, velocity: float) -> Values:
    strength = np.where(number == 1, 1.0, np.where(number == 2, 0.25 + 0.35 * velocity, 0.3))
    return strength * number ** -(1.9 - 0.6 * velocity) * low_pass(hertz, 5000.0, 2.0)


def _horn(number: Values, hertz: Values, velocity: float) -> Values:
    corner = 420.0 + 1500.0 * velocity**1.5
    return number**-0.5 * low_pass(hertz, corner, 3.0) * resonances(hertz, ((340.0, 300.0, 0.5),), 0.8)


def _oboe(number: Values, hertz: Values, velocity: float) -> Values:
    peaks = ((1100.0, 500.0, 1.3), (2900.0, 900.0, 0.5))
    return number ** -(1.0 - 0.2 * velocity) * resonances(hertz, peaks, 0.25) * low_pass(hertz, 4500.0, 2.0)


def _saw(number: Values, hertz: Values, velocity: float) -> Values:
    return number**-1.0 * low_pass(hertz, 1500.0 + 6500.0 * velocity, 1.5)


def _warm(number: Values, hertz: Values, velocity: float) -> Values:
    return number**-1.15 * low_pass(hertz, 700.0 + 1500.0 * velocity, 1.5)


def _hollow(number: Values, hertz: Values, velocity: float) -> Values:
    odd = np.where(number % 2 == 1, 1.0, 0.3)
    return odd * number**-1.0 * low_pass(hertz, 1200.0 + 3000.0 * velocity, 1.5)


SPECTRA: dict[str, Spectrum] = {
    "ah": _voice(AH, 1.05),
    "oh": _voice(OH, 1.15),
    "bowed": _bowed,
    "cello": _cello,
    "flute": _flute,
    "horn": _horn,
    "oboe": _oboe,
    "saw": _saw,
    "warm": _warm,
    "hollow": _hollow,
}


NOTE_RMS = 0.1
KNOCK = [(60.0, -20.0), (150.0, 0.0), (900.0, -3.0), (3500.0, -10.0), (9000.0, -40.0)]
RMS_SECONDS = 0.3
Maker = Callable[[float, float, float, int, np.random.Generator], Samples]
"""(pitch in Hz, velocity, seconds wanted, sample rate, random numbers) to the note."""


@dataclass(frozen=True, slots=True)
class Struck:
    """How a note is made, and how fast it is damped at its end."""

    make: Maker
    release_s: float


@dataclass(frozen=True, slots=True)
class String:
    """A plucked string on a body: where it is plucked (share of its length), how dark the pluck is, how long
    it rings at 110 Hz, how much faster high partials decay, its stiffness, and the body."""

    pluck_at: float
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
        level = np.sin(np.pi * number * self.pluck_at) * number ** -(self.slope - 0.5 * velocity)
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


LOOP_FRAMES = 1 << 17
TABLE = 2048
BREATH = [(200.0, -24.0), (1200.0, -6.0), (4000.0, 0.0), (8000.0, -6.0), (16000.0, -24.0)]
STRIDE = 32
"""Frames between points of a solo's pitch and level."""
RMS = 0.1


@dataclass(frozen=True, slots=True)
class Ensemble:
    """A section: its spectrum, the spread of the players' tuning, and how notes start and end."""

    spectrum: str
    spread_cents: float
    attack_s: float
    release_s: float
    alike: float = 0.5
    """Share of the sound common to both channels."""


@dataclass(frozen=True, slots=True)
class Solo:
    """A single voice: spectrum, vibrato (Hz, cents, delay), glide into a note, edges, breath."""

    spectrum: str
    vibrato_hz: float
    vibrato_cents: float
    vibrato_after_s: float
    glide_s: float
    attack_s: float
    release_s: float
    breath: float


@dataclass(frozen=True, slots=True)
class Tone:
    """One note of a phrase: frames from the phrase's start, gain at its start and end (linear)."""

    start: int
    end: int
    pitch: int
    velocity: float
    gain: tuple[float, float]


ENSEMBLES: dict[str, Ensemble] = {
    "strings": Ensemble("bowed", 16.0, 0.16, 0.35),
    "low_strings": Ensemble("cello", 13.0, 0.14, 0.35),
    "horns": Ensemble("horn", 8.0, 0.07, 0.25),
    "choir": Ensemble("oh", 18.0, 0.2, 0.4),
    "pad": Ensemble("warm", 14.0, 0.25, 0.6),
    "glass_pad": Ensemble("hollow", 10.0, 0.3, 0.6),
    "saw_stack": Ensemble("saw", 19.0, 0.006, 0.09),
}
SOLOS: dict[str, Solo] = {
    "voice": Solo("ah", 5.4, 24.0, 0.28, 0.075, 0.05, 0.12, 0.035),
    "dark_voice": Solo("oh", 5.1, 22.0, 0.3, 0.085, 0.06, 0.14, 0.03),
    "violin": Solo("bowed", 5.7, 20.0, 0.18, 0.05, 0.07, 0.14, 0.015),
    "cello": Solo("cello", 5.2, 20.0, 0.2, 0.06, 0.09, 0.18, 0.012),
    "flute": Solo("flute", 5.0, 12.0, 0.25, 0.025, 0.05, 0.1, 0.05),
    "oboe": Solo("oboe", 5.2, 12.0, 0.25, 0.025, 0.04, 0.09, 0.008),
    "horn": Solo("horn", 4.5, 5.0, 0.4, 0.03, 0.06, 0.14, 0.01),
    "lead": Solo("saw", 5.6, 14.0, 0.3, 0.04, 0.008, 0.08, 0.0),
}


def _harmonics(spectrum: str, hertz: float, velocity: float, sample_rate: int) -> tuple[Values, Values]:
    number = np.arange(1.0, max(1, int(min(80.0, 0.4 * sample_rate / hertz))) + 1.0)
    return number, SPECTRA[spectrum](number, number * hertz, velocity)


def ensemble_loop(
    kind: Ensemble, hertz: float, velocity: float, sample_rate: int, rng: np.random.Generator
) -> Samples:
    """A seamless loop of a section holding a note, (2, LOOP_FRAMES)."""
    number, level = _harmonics(kind.spectrum, hertz, velocity, sample_rate)
    spectra = np.zeros((3, LOOP_FRAMES // 2 + 1), dtype=np.complex64)
    bins_per_hertz = LOOP_FRAMES / sample_rate
    ratio = 2.0 ** (kind.spread_cents / 1200.0) - 1.0
    for harmonic, amplitude in zip(number, level, strict=True):
        centre = harmonic * hertz * bins_per_hertz
        width = max(0.5 * ratio * centre, 0.7)
        low, high = int(centre - 3.0 * width), min(int(centre + 3.0 * width) + 2, spectra.shape[1])
        bell = np.exp(-0.5 * np.square((np.arange(low, high) - centre) / width))
        scale = amplitude / np.sqrt(np.sum(np.square(bell)))
        turn = rng.standard_normal((3, 2 * (high - low)), dtype=np.float32).view(np.complex64)
        spectra[:, low:high] += (scale * bell).astype(np.float32) * turn
    sides = spectra[:2] * np.float32(np.sqrt(1.0 - kind.alike)) + spectra[2] * np.float32(np.sqrt(kind.alike))
    loop = np.fft.irfft(sides, LOOP_FRAMES)
    return np.asarray(loop * (RMS / np.sqrt(np.mean(np.square(loop)))), dtype=np.float32)


def period_table(spectrum: str, hertz: float, velocity: float, sample_rate: int) -> Samples:
    """One period and its first sample again, rms 0.1. Phases grow with the square of the number, which keeps
    the peaks low (Schroeder's phases, 1970)."""
    number, level = _harmonics(spectrum, hertz, velocity, sample_rate)
    bins = np.zeros(TABLE // 2 + 1, dtype=np.complex128)
    bins[1 : len(number) + 1] = level * np.exp(-1j * np.pi * np.square(number) / (2.0 * len(number)))
    period = np.fft.irfft(bins, TABLE)
    period *= RMS / np.sqrt(np.mean(np.square(period)))
    return np.append(period, period[0]).astype(np.float32)


def solo_phrase(kind: Solo, tones: list[Tone], sample_rate: int, rng: np.random.Generator) -> Samples:
    """A phrase of joined notes, to the end of its release (frames,)."""
    frames = tones[-1].end + int(kind.release_s * sample_rate)
    points = np.arange(0.0, frames + 2.0 * STRIDE, STRIDE)
    hertz = frequency_hz(0) * 2.0 ** (_pitch_curve(kind, tones, points, sample_rate, rng) / 12.0)
    turns = np.concatenate([[0.0], np.cumsum(hertz[:-1]) * (STRIDE / sample_rate)])
    turn = drawn(turns, STRIDE, frames)
    position = (turn - np.floor(turn)) * TABLE
    index = position.astype(np.int64)
    rest = (position - index).astype(np.float32)

    out = np.zeros(frames, dtype=np.float32)
    cross = int(0.02 * sample_rate)
    for order, tone in enumerate(tones):
        table = period_table(kind.spectrum, frequency_hz(tone.pitch), tone.velocity, sample_rate)
        last = order == len(tones) - 1
        start = max(0, tone.start - cross) if order else 0
        end = frames if last else min(frames, tone.end + cross)
        window = np.ones(end - start, dtype=np.float32)
        ramp = ((np.arange(2 * cross) + 0.5) / (2 * cross)).astype(np.float32)[: end - start]
        if order:
            window[: len(ramp)] *= ramp
        if not last:
            window[len(window) - len(ramp) :] *= ramp[::-1]
        here, part = index[start:end], rest[start:end]
        out[start:end] += window * (table[here] + part * (table[here + 1] - table[here]))
    if kind.breath > 0.0:
        noise = shaped_noise(rng, 1 << 16, sample_rate, BREATH)
        out += np.resize(noise, frames) * np.float32(kind.breath * RMS)
    return out * _swell(kind, tones, frames, sample_rate)


def _pitch_curve(
    kind: Solo, tones: list[Tone], points: Values, sample_rate: int, rng: np.random.Generator
) -> Values:
    pitch = np.full(len(points), float(tones[0].pitch))
    depth = np.zeros(len(points))
    glide = max(1, int(kind.glide_s * sample_rate))
    for before, tone in zip([None, *tones[:-1]], tones, strict=True):
        came_from = tone.pitch - 0.5 if before is None else before.pitch
        share = np.clip((points - tone.start) / glide + (0.3 if before else 0.6), 0.0, 1.0)
        after = points >= tone.start - 0.3 * glide if before else points >= tone.start
        moved = came_from + (tone.pitch - came_from) * (0.5 - 0.5 * np.cos(np.pi * share))
        pitch = np.where(after, moved, pitch)
        grown = np.clip(((points - tone.start) / sample_rate - kind.vibrato_after_s) / 0.35, 0.0, 1.0)
        depth = np.where(points >= tone.start, grown, depth)
    seconds = points / sample_rate
    slow = np.arange(0.0, seconds[-1] + 1.0, 0.5)
    wander = np.interp(seconds, slow, rng.normal(0.0, 1.0, len(slow)))
    rate = kind.vibrato_hz * (1.0 + 0.04 * wander)
    swing = np.sin(2.0 * np.pi * np.cumsum(rate) * (STRIDE / sample_rate))
    return pitch + (kind.vibrato_cents * depth * swing + 4.0 * wander) / 100.0


def _swell(kind: Solo, tones: list[Tone], frames: int, sample_rate: int) -> Samples:
    """The level of a phrase: each note speaks, swells a little and gives way to the next."""
    attack, release = int(kind.attack_s * sample_rate), int(kind.release_s * sample_rate)
    times: list[float] = [0.0]
    levels: list[float] = [0.0]
    for order, tone in enumerate(tones):
        length = tone.end - tone.start
        speak = min(attack, 0.3 * length)
        dip = 0.72 if order < len(tones) - 1 else 0.82
        times += [tone.start + speak, tone.start + 0.5 * length, tone.end - 0.15 * length]
        middle = float(np.sqrt(tone.gain[0] * tone.gain[1]))
        levels += [0.92 * tone.gain[0], middle, dip * tone.gain[1]]
    times += [float(tones[-1].end), float(tones[-1].end + release)]
    levels += [0.7 * tones[-1].gain[1], 0.0]
    level = np.interp(np.arange(0, frames + 2 * STRIDE, STRIDE), times, levels)
    return drawn(level, STRIDE, frames).astype(np.float32)
