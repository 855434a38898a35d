"""Spectra of sustained instruments, and modal synthesis of struck and plucked ones.

A spectrum maps harmonic numbers, their frequencies in Hz and a velocity (0 to 1) to amplitudes; played harder
its slope is flatter, which more than level is what "loud" sounds like. Resonances are the project's own round
values after what acoustics textbooks say about vowels, string bodies and bells (from memory).

A modal note is a sum of decaying partials. a·exp(−δn)·sin(ωn+φ) factors over n = 512·row + column into two
complex exponentials, so that a note is one matrix product of (rows, 2·partials) with (2·partials, 512).
Conventions: float32, one channel, 1 = full scale; decays are T60 in seconds; phases in radians; partials
above 0.45 of the rate are left out.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.fades import rise

Values = NDArray[np.float64]
Spectrum = Callable[[Values, Values, float], Values]
Resonance = tuple[float, float, float]
"""Centre in Hz, bandwidth in Hz, gain over the floor."""


def resonances(hertz: Values, peaks: tuple[Resonance, ...], floor: float) -> Values:
    """The floor plus a bell for each resonance."""
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


Samples = NDArray[np.float32]
COLUMNS = 512
LN_1000 = float(np.log(1000.0))


def decaying_partials(
    frequencies_hz: Values,
    amplitudes: Values,
    t60_s: Values,
    frames: int,
    sample_rate: int,
    phases: Values | float = 0.0,
) -> Samples:
    """The sum of the partials, `frames` long. The arrays have one entry a partial."""
    keep = (frequencies_hz < 0.45 * sample_rate) & (amplitudes != 0.0)
    phase = np.broadcast_to(np.asarray(phases, dtype=np.float64), frequencies_hz.shape)[keep]
    exponent = (2j * np.pi * frequencies_hz[keep] - LN_1000 / t60_s[keep]) / sample_rate
    rows = -(-frames // COLUMNS)
    turn = np.exp(np.outer(np.arange(rows) * COLUMNS, exponent) + 1j * phase) * amplitudes[keep]
    step = np.exp(np.outer(exponent, np.arange(COLUMNS)))
    # the imaginary part of turn·step is the sine
    left = np.concatenate([turn.imag, turn.real], axis=1).astype(np.float32)
    right = np.concatenate([step.real, step.imag], axis=0).astype(np.float32)
    return np.asarray((left @ right).reshape(-1)[:frames], dtype=np.float32)


def fade(samples: Samples, sample_rate: int, attack_s: float, release_s: float) -> Samples:
    """In place: raised-cosine edges along the last axis, so that nothing starts or ends with a click."""
    frames = samples.shape[-1]
    for seconds, at_start in ((attack_s, True), (release_s, False)):
        length = min(int(seconds * sample_rate), frames // 2)
        if length > 0:
            ramp = rise(length)[:, 0]
            if at_start:
                samples[..., :length] *= ramp
            else:
                samples[..., frames - length :] *= ramp[::-1]
    return samples


def shaped_noise(
    rng: np.random.Generator, frames: int, sample_rate: int, points: list[tuple[float, float]]
) -> Samples:
    """Noise with the spectrum of the (Hz, dB) points (straight lines over log frequency), rms 1."""
    size = 1 << (frames - 1).bit_length()
    # white noise is as random in frequency as in time: drawn there, it needs one transform only
    spectrum = rng.standard_normal(size + 2, dtype=np.float32).view(np.complex64)
    bins = np.fft.rfftfreq(size, 1.0 / sample_rate)
    hertz, level_db = zip(*points, strict=True)
    curve = np.interp(np.log(np.maximum(bins, 1.0)), np.log(hertz), np.multiply(level_db, LN_1000 / 60.0))
    noise = np.fft.irfft(spectrum * np.exp(curve).astype(np.float32), size)[:frames]
    return np.asarray(noise / np.sqrt(np.mean(np.square(noise))), dtype=np.float32)


def drawn(points: Values, stride: int, frames: int) -> Values:
    """Straight lines between points that stand `stride` frames apart (the last axis), `frames` long."""
    share = np.arange(stride) / stride
    lines = points[..., :-1, None] + np.diff(points)[..., None] * share
    return np.asarray(lines.reshape(*points.shape[:-1], -1)[..., :frames])


def exponential(frames: int, sample_rate: int, t60_s: float) -> Samples:
    """A decay that falls by 60 dB in `t60_s`."""
    slope = np.float32(-LN_1000 / (t60_s * sample_rate))
    return np.asarray(np.exp(np.arange(frames, dtype=np.float32) * slope), dtype=np.float32)
