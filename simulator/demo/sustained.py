"""Instruments that hold their notes: sections and pads, and single voices.

A *section* (many players or detuned oscillators) is made in the frequency domain: each harmonic is a
narrow bell of random bins, one inverse FFT gives seconds of a chorus that loops without
a seam. A *solo line* (voice, bowed, blown) is one phase that runs through the whole phrase, with
glides, vibrato and swells, read from a table of one period for each note.

Conventions: float32; a section's loop is (2, frames) with rms 0.1 a channel; a line is (frames,)
with rms 0.1 at gain 1; pitches in semitones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator.demo.pattern import frequency_hz
from simulator.demo.spectra import SPECTRA, Samples, Values, drawn, shaped_noise

LOOP_FRAMES = 1 << 17
TABLE = 2048
BREATH = [(200.0, -24.0), (1200.0, -6.0), (4000.0, 0.0), (8000.0, -6.0), (16000.0, -24.0)]
STRIDE = 32
"""Frames between the points at which a line's pitch is computed."""
RMS = 0.1


@dataclass(frozen=True, slots=True)
class Ensemble:
    """A section: its spectrum, how far the players are apart in tuning, and how notes start and end."""

    spectrum: str
    spread_cents: float
    attack_s: float
    release_s: float
    alike: float = 0.5
    """Share of the sound that both channels have in common."""


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
    """One period (and its first sample again), rms 0.1. The phases grow with the square of the number,
    which keeps the peaks low (Schroeder's phases, 1970)."""
    number, level = _harmonics(spectrum, hertz, velocity, sample_rate)
    bins = np.zeros(TABLE // 2 + 1, dtype=np.complex128)
    bins[1 : len(number) + 1] = level * np.exp(-1j * np.pi * np.square(number) / (2.0 * len(number)))
    period = np.fft.irfft(bins, TABLE)
    period *= RMS / np.sqrt(np.mean(np.square(period)))
    return np.append(period, period[0]).astype(np.float32)


def solo_phrase(kind: Solo, tones: list[Tone], sample_rate: int, rng: np.random.Generator) -> Samples:
    """A phrase of joined notes, from its first frame to the end of its release."""
    frames = tones[-1].end + int(kind.release_s * sample_rate)
    points = np.arange(0.0, frames + 2.0 * STRIDE, STRIDE)
    hertz = frequency_hz(0) * 2.0 ** (_pitch_curve(kind, tones, points, sample_rate, rng) / 12.0)
    turns = np.concatenate([[0.0], np.cumsum(hertz[:-1]) * (STRIDE / sample_rate)])
    whole = drawn(turns, STRIDE, frames)
    place = (whole - np.floor(whole)) * TABLE
    index = place.astype(np.int64)
    rest = (place - index).astype(np.float32)

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
    """The level of a phrase: each note speaks, swells a little and makes room for the next."""
    attack, release = int(kind.attack_s * sample_rate), int(kind.release_s * sample_rate)
    places: list[float] = [0.0]
    levels: list[float] = [0.0]
    for order, tone in enumerate(tones):
        length = tone.end - tone.start
        speak = min(attack, 0.3 * length)
        dip = 0.72 if order < len(tones) - 1 else 0.82
        places += [tone.start + speak, tone.start + 0.5 * length, tone.end - 0.15 * length]
        middle = float(np.sqrt(tone.gain[0] * tone.gain[1]))
        levels += [0.92 * tone.gain[0], middle, dip * tone.gain[1]]
    places += [float(tones[-1].end), float(tones[-1].end + release)]
    levels += [0.7 * tones[-1].gain[1], 0.0]
    level = np.interp(np.arange(0, frames + 2 * STRIDE, STRIDE), places, levels)
    return drawn(level, STRIDE, frames).astype(np.float32)
