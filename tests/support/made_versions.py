"""Versions of one song made on purpose: delayed by a fraction of a frame, looped, equalised.

Conventions: float32 arrays (frames, channels). The fractional delay is the tests' own: a windowed sinc of 255
taps, flat to 0.48 of the sample rate, applied by scipy; nothing of it is shared with the program.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, oaconvolve, sosfilt
from support.signals import band_limited, pink_noise

Version = NDArray[np.float32]
HALF = 127
RATE = 44_100


def song(seconds: float, seed: int = 1, channels: int = 2, sample_rate: int = RATE) -> Version:
    """Pink noise with a level that wanders like a song's, band-limited to 0.45 of the rate."""
    frames = round(seconds * sample_rate)
    draw = np.random.default_rng(seed + 500)
    points = draw.uniform(-18.0, 0.0, max(2, round(seconds * 4)))
    levels = np.interp(np.linspace(0.0, len(points) - 1.0, frames), np.arange(len(points)), points)
    parts = [pink_noise(frames, seed * 10 + c, sample_rate) for c in range(channels)]
    both = np.stack([band_limited(part * 10.0 ** (levels / 20.0)) for part in parts], axis=1)
    return (0.1 * both).astype(np.float32)


def delayed(version: NDArray[np.floating], frames: float) -> Version:
    """The version `frames` later, as long as it is; what is pushed out at the end is lost."""
    whole = math.floor(frames)
    taps = np.arange(-HALF, HALF + 1) - (frames - whole)
    window = np.i0(12.0 * np.sqrt(np.maximum(0.0, 1.0 - (taps / (HALF + 1.0)) ** 2))) / np.i0(12.0)
    kernel = (np.sinc(taps) * window)[:, np.newaxis]
    moved = oaconvolve(version.astype(np.float64), kernel, mode="full", axes=0)[
        HALF : HALF + version.shape[0]
    ]
    out = np.zeros_like(moved)
    if whole >= 0:
        out[whole:] = moved[: moved.shape[0] - whole]
    else:
        out[:whole] = moved[-whole:]
    return out.astype(np.float32)


def peaking(version: Version, centre_hz: float, gain_db: float, q: float = 1.0, rate: int = RATE) -> Version:
    """A minimum-phase bell, as in every equaliser (bilinear transform of the analogue bell)."""
    amplitude = 10.0 ** (gain_db / 40.0)
    omega = 2.0 * math.pi * centre_hz / rate
    alpha = math.sin(omega) / (2.0 * q)
    b = np.array([1.0 + alpha * amplitude, -2.0 * math.cos(omega), 1.0 - alpha * amplitude])
    a = np.array([1.0 + alpha / amplitude, -2.0 * math.cos(omega), 1.0 - alpha / amplitude])
    return lfilter(b / a[0], a / a[0], version, axis=0).astype(np.float32)


def high_passed(version: Version, corner_hz: float, rate: int = RATE) -> Version:
    """A second-order Butterworth low cut."""
    return sosfilt(butter(2, corner_hz, "high", fs=rate, output="sos"), version, axis=0).astype(np.float32)
