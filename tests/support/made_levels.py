"""What a level does to a version: fourteen ways to move it, none of which is a filter or bends a wave.

Conventions: each takes samples (frames, channels) and their rate and gives one gain a frame (frames,).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import lfilter

Gains = NDArray[np.float64]
Level = Callable[[NDArray[np.floating], int], Gains]


def _points(x: NDArray[np.floating], *places_db: tuple[float, float]) -> Gains:
    """Straight lines in dB between places, in shares of the whole."""
    at, level = zip(*places_db, strict=True)
    return np.asarray(10.0 ** (np.interp(np.linspace(0.0, 1.0, x.shape[0]), at, level) / 20.0))


def _sine(x: NDArray[np.floating], rate: int, hz: float, depth_db: float) -> Gains:
    return np.asarray(10.0 ** (depth_db * np.sin(2.0 * np.pi * hz * np.arange(x.shape[0]) / rate) / 20.0))


def _envelope(x: NDArray[np.floating], rate: int, attack_s: float, release_s: float) -> Gains:
    """RMS over the attack, held up by the release."""
    power = uniform_filter1d(np.square(x.astype(np.float64)).mean(axis=1), max(1, round(attack_s * rate)))
    keep = np.exp(-1.0 / (release_s * rate))
    slow = lfilter([1.0 - keep], [1.0, -keep], power)
    return np.asarray(np.sqrt(np.maximum(power, slow)) + 1e-9)


def _compressed(
    x: NDArray[np.floating], rate: int, ratio: float, attack_s: float, release_s: float, share: float = 0.5
) -> Gains:
    level = _envelope(x, rate, attack_s, release_s)
    threshold = share * float(np.percentile(level, 90.0))
    return np.asarray(np.minimum(1.0, (level / threshold) ** (1.0 / ratio - 1.0)))


def _gated(x: NDArray[np.floating], rate: int) -> Gains:
    """Shut where 50 ms are quieter than the median by 3 dB; opens and closes within 10 ms."""
    level = maximum_filter1d(_envelope(x, rate, 0.02, 0.03), round(0.05 * rate))
    opened = (level > 0.7 * np.median(level)).astype(np.float64)
    return np.asarray(uniform_filter1d(opened, round(0.01 * rate)))


def _fade_out(x: NDArray[np.floating], rate: int) -> Gains:
    return np.asarray(np.clip((x.shape[0] - np.arange(x.shape[0])) / (4.0 * rate), 0.0, 1.0))


def _automation(x: NDArray[np.floating], rate: int) -> Gains:
    draw = np.random.default_rng(5)
    count = x.shape[0] // rate + 2
    levels = draw.uniform(-5.0, 2.0, count)
    return np.asarray(10.0 ** (np.interp(np.arange(x.shape[0]) / rate, np.arange(count), levels) / 20.0))


PURE_GAIN: dict[str, Level] = {
    "fade-out of 4 s": _fade_out,
    "fade-in over a third": lambda x, _: np.clip(np.linspace(0.0, 3.0, x.shape[0]), 0.0, 1.0),
    "fade-out all along, in dB": lambda x, _: _points(x, (0.0, 0.0), (1.0, -40.0)),
    "smooth step of +4 dB": lambda x, _: _points(x, (0.0, 0.0), (0.48, 0.0), (0.52, 4.0), (1.0, 4.0)),
    "hard step of -6 dB": lambda x, _: np.where(np.arange(x.shape[0]) < 0.4 * x.shape[0], 1.0, 0.5),
    "a verse 8 dB down": lambda x, _: _points(
        x, (0.0, 0.0), (0.3, 0.0), (0.31, -8.0), (0.6, -8.0), (0.61, 0.0), (1.0, 0.0)
    ),
    "compressor 3:1": lambda x, rate: _compressed(x, rate, 3.0, 0.02, 0.2),
    "compressor 8:1, slow": lambda x, rate: _compressed(x, rate, 8.0, 0.1, 0.8),
    "compressor 4:1, quick": lambda x, rate: _compressed(x, rate, 4.0, 0.01, 0.1, 0.3),
    "automation by the second": _automation,
    "gate": _gated,
    "sine of 0.1 Hz": lambda x, rate: _sine(x, rate, 0.1, 4.0),
    "sine of 2 Hz": lambda x, rate: _sine(x, rate, 2.0, 3.0),
    "tremolo of 9 Hz": lambda x, rate: _sine(x, rate, 9.0, 3.0),
}


def ridden(version: NDArray[np.floating], rate: int, level: Level) -> NDArray[np.float32]:
    """The version at that level."""
    return np.asarray(version * level(version, rate)[:, np.newaxis], dtype=np.float32)
