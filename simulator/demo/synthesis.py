"""Building blocks of the demo's sounds: decaying partials, shaped noise, fades.

A note is a sum of decaying partials. a·exp(−δn)·sin(ωn+φ) factors over n = 512·row + column into two complex
exponentials, so a note is one matrix product of (rows, 2·partials) with (2·partials, 512). Results are
float32, one channel, 1 = full scale; decays are T60 in seconds, phases in radians; partials above 0.45 of the
rate are left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.fades import rise

Values = NDArray[np.float64]


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
    """The sum of the partials, `frames` long; the arrays have one entry per partial."""
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
    """Raised-cosine edges along the last axis, in place, against clicks."""
    frames = samples.shape[-1]
    attack, release = (min(int(seconds * sample_rate), frames // 2) for seconds in (attack_s, release_s))
    if attack > 0:
        samples[..., :attack] *= rise(attack)[:, 0]
    if release > 0:
        samples[..., frames - release :] *= rise(release)[::-1, 0]
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
    """Straight lines between points `stride` frames apart (the last axis), `frames` long."""
    share = np.arange(stride) / stride
    lines = points[..., :-1, None] + np.diff(points)[..., None] * share
    return np.asarray(lines.reshape(*points.shape[:-1], -1)[..., :frames])


def exponential(frames: int, sample_rate: int, t60_s: float) -> Samples:
    """A decay that falls by 60 dB in `t60_s`."""
    slope = np.float32(-LN_1000 / (t60_s * sample_rate))
    return np.asarray(np.exp(np.arange(frames, dtype=np.float32) * slope), dtype=np.float32)
