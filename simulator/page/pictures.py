"""Geometry of the page's pictures: loudness over time, and loudness to peak.

The templates draw these values as inline SVG in a box of WIDTH × HEIGHT units, stretched to the page; labels
and playhead are laid over it in percent. Lines differ by dash as well as by colour, so that a picture can be
read in grey and on paper. Levels in LUFS and dBTP, times in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.text import level
from simulator.common.units import LOUDNESS_OFFSET_DB
from simulator.metering.gating import STEPS_SHORT_TERM, short_term_energies

FLOOR_LUFS = -60.0
"""What is quieter is drawn at the lower edge or left out."""
MOST_POINTS = 400
WIDTH, HEIGHT = 1000.0, 100.0
_TIME_STEPS_S = (1, 2, 5, 10, 30, 60, 120, 300, 600, 1800)
_MOST_TIMES = 6.5


@dataclass(frozen=True, slots=True)
class Curve:
    """Loudness over time: one value for each 3 s window, at its middle."""

    time_s: NDArray[np.float64]
    loudness_lufs: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class AxisTick:
    """A label on an axis: how far along it, in percent from the left or from the bottom, and its text."""

    percent: float
    text: str


def curve(energy: NDArray[np.float64]) -> Curve:
    """The short-term loudness of a series (energies each 100 ms), thinned to what a screen can show by
    taking the greatest of neighbours; windows below FLOOR_LUFS are left at it."""
    windows = short_term_energies(energy)
    thin = max(1, -(-windows.shape[0] // MOST_POINTS))
    count = -(-windows.shape[0] // thin)
    padded = np.zeros(count * thin)
    padded[: windows.shape[0]] = windows
    greatest = padded.reshape(count, thin).max(axis=1) if count else np.zeros(0)
    floor = 10.0 ** ((FLOOR_LUFS - LOUDNESS_OFFSET_DB) / 10.0)
    levels = LOUDNESS_OFFSET_DB + 10.0 * np.log10(np.maximum(greatest, floor))
    times = (np.arange(count) * thin + (thin - 1) / 2.0 + STEPS_SHORT_TERM / 2.0) / 10.0
    return Curve(times, levels)


def limits(curves: Sequence[Curve]) -> tuple[float, float]:
    """One scale for what is compared: whole steps of 5 LU around what is drawn."""
    drawn = [one.loudness_lufs for one in curves if one.loudness_lufs.size]
    if not drawn:
        return -40.0, 0.0
    top = max(float(levels.max()) for levels in drawn)
    low = min(float(np.percentile(levels, 5)) for levels in drawn)
    return max(FLOOR_LUFS, 5.0 * np.floor((low - 1.0) / 5.0)), min(5.0, 5.0 * np.ceil((top + 1.0) / 5.0))


def path(one: Curve, scale: tuple[float, float], length_s: float) -> str:
    """The points of a curve as an SVG path, time 0 at the left and `length_s` at the right edge; empty for a
    track without a window of 3 s."""
    low, high = scale
    x = np.rint(one.time_s * (WIDTH / length_s)) if length_s > 0.0 else one.time_s
    y = HEIGHT * (high - one.loudness_lufs) / (high - low)
    points = [f"{a:.0f} {b:.1f}" for a, b in zip(x, y, strict=True)]
    return f"M{'L'.join(points)}" if points else ""


def time_ticks(length_s: float) -> list[AxisTick]:
    """Whole minutes, or tens of seconds for what is short."""
    step = next((one for one in _TIME_STEPS_S if length_s / one <= _MOST_TIMES), 3600)
    return [
        AxisTick(100.0 * at / length_s, f"{at // 60}:{at % 60:02d}")
        for at in range(0, int(length_s) + 1, step)
        if length_s > 0.0
    ]


def level_ticks(scale: tuple[float, float]) -> list[AxisTick]:
    """Levels at equal whole steps, up to and without the upper edge."""
    low, high = scale
    step = 5.0 if high - low <= 30.0 else 10.0
    first = step * np.ceil(low / step)
    return [
        AxisTick(100.0 * (float(at) - low) / (high - low), level(float(at), 0))
        for at in np.arange(first, high, step)
    ]
