"""The building blocks of test signals: tones, noises, clicks. Everything is seeded and computed.

Conventions: float64 arrays, (frames,) for one channel; levels are the peak of a sine in dBFS (0 dBFS
peaks at 1.0), as EBU Tech 3341 counts them; None is silence.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, oaconvolve

Samples = NDArray[np.float64]


def frames_of(seconds: float, sample_rate: int) -> int:
    return round(seconds * sample_rate)


def sine(
    frequency_hz: float, sample_rate: int, seconds: float, level_dbfs: float = 0.0, phase_degrees: float = 0.0
) -> Samples:
    """A sine (frames,) with a hard start and end."""
    n = np.arange(frames_of(seconds, sample_rate))
    return 10.0 ** (level_dbfs / 20.0) * np.sin(
        2.0 * np.pi * frequency_hz * n / sample_rate + np.radians(phase_degrees)
    )


def tones(
    pieces: Iterable[tuple[float | None, float]], sample_rate: int, frequency_hz: float = 1000.0
) -> Samples:
    """Pieces (level in dBFS or None, seconds) of one continuous sine, end to end (frames,)."""
    gains = np.concatenate(
        [
            np.full(frames_of(seconds, sample_rate), 0.0 if level is None else 10.0 ** (level / 20.0))
            for level, seconds in pieces
        ]
    )
    return gains * np.sin(2.0 * np.pi * frequency_hz * np.arange(gains.shape[0]) / sample_rate)


def both(samples: NDArray[np.floating]) -> NDArray[np.floating]:
    """The same wave in two channels (frames, 2)."""
    return np.repeat(samples[:, np.newaxis], 2, axis=1)


def faded(samples: Samples, sample_rate: int, seconds: float = 0.010) -> Samples:
    """Linear fade-in and fade-out."""
    count = frames_of(seconds, sample_rate)
    ramp = np.arange(count) / count
    result = samples.copy()
    result[:count] *= ramp
    result[-count:] *= ramp[::-1]
    return result


def white_noise(frames: int, seed: int) -> Samples:
    """Gaussian, RMS 1 (frames,)."""
    return np.random.default_rng(seed).standard_normal(frames)


def pink_noise(frames: int, seed: int, sample_rate: int = 48_000, lowest_hz: float = 20.0) -> Samples:
    """1/f noise above `lowest_hz`, RMS 1 (frames,)."""
    spectrum = np.fft.rfft(white_noise(frames, seed))
    frequency = np.fft.rfftfreq(frames, 1.0 / sample_rate)
    spectrum *= np.where(frequency >= lowest_hz, 1.0 / np.sqrt(np.maximum(frequency, lowest_hz)), 0.0)
    noise = np.fft.irfft(spectrum, frames)
    return noise / np.sqrt(np.mean(noise * noise))


def clipped_noise(noise: Samples, drive_db: float) -> Samples:
    """The noise raised so that its peak stands `drive_db` over full scale, then cut flat at ±1: a
    stand-in for an over-limited master."""
    raised = noise / np.abs(noise).max() * 10.0 ** (drive_db / 20.0)
    return np.clip(raised, -1.0, 1.0)


def noise_bursts(sample_rate: int, seconds: float, seed: int, channels: int = 2) -> NDArray[np.float32]:
    """Pink noise whose level jumps each second, −46 to −12 dB RMS, channels independent
    (frames, channels): loudness range, gates and maxima all have work."""
    frames = frames_of(seconds, sample_rate)
    draw = np.random.default_rng(seed + 1000)
    levels = np.repeat(draw.uniform(-46.0, -12.0, int(np.ceil(seconds))), sample_rate)[:frames]
    noise = np.stack([pink_noise(frames, seed + c, sample_rate) for c in range(channels)], axis=1)
    return (noise * 10.0 ** (levels[:, np.newaxis] / 20.0)).astype(np.float32)


def click_train(sample_rate: int, seconds: float, every_seconds: float = 0.25, level: float = 1.0) -> Samples:
    """Single samples of ±`level` in silence, alternating in sign (frames,)."""
    result = np.zeros(frames_of(seconds, sample_rate))
    places = np.arange(frames_of(0.05, sample_rate), result.shape[0], frames_of(every_seconds, sample_rate))
    result[places] = level * (-1.0) ** np.arange(places.shape[0])
    return result


def band_limited(samples: Samples, share_of_rate: float = 0.45, taps: int = 1023) -> Samples:
    """The wave without what lies above `share_of_rate`·fs (that frequency itself is in the stop band, 80
    dB down), by a zero-phase FIR low-pass with its delay taken off."""
    width = 5.0 / taps  # transition of an 80 dB Kaiser design, as a share of fs
    low_pass = firwin(taps, 2.0 * share_of_rate - width, window=("kaiser", 7.857))
    return oaconvolve(samples, low_pass, mode="full")[taps // 2 : taps // 2 + samples.shape[0]]
