"""Gain riding: the smoothed broadband gain that explains the difference best.

At each moment the gain is the least-squares gain from the other version to the open one under a Hann window
of 50 ms (K-weighted, all channels together); where the other version is next to silent it falls back to the
gain of the whole. Between the moments, 3 ms apart, it moves in straight lines.
Conventions: sums by step are float64 (steps,), from the start of the common part; gains are linear.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import seconds_to_frames

WINDOW_S = 0.05
STEPS_A_WINDOW = 16
_SILENT = 1e-7
"""Power relative to the other version's mean under which its gain is not followed (−70 dB)."""
_LOUD = 1e-2
_POINTS = 64
"""Places at which a frame's window is sampled: as near to each other as the steps or nearer."""

Values = NDArray[np.float64]


def step_frames(sample_rate: int) -> int:
    """Frames of one step: a sixteenth of the window."""
    return max(1, seconds_to_frames(WINDOW_S / STEPS_A_WINDOW, sample_rate))


@dataclass(frozen=True, slots=True)
class GainCurve:
    """Gain by step; `gains[k]` holds at the middle of step k."""

    gains: Values
    step: int
    range_db: float | None
    """5th to 95th percentile, where the open version is louder than its mean power − 20 dB."""

    def over(self, start: int, count: int) -> Values:
        """The gain at each of `count` frames from `start` of the common part on (count,)."""
        at = (np.arange(start, start + count) + 0.5) / self.step - 0.5
        curve: Values = np.interp(at, np.arange(self.gains.shape[0]), self.gains)
        return curve


@dataclass(frozen=True, slots=True)
class GainFollowing:
    """The same the other way round, for spectra: the gain from the open version to the other one over each
    of the overlapping frames of dsp/spectrum. It may be nothing, where a gate is shut."""

    cross: Values
    open_power: Values
    step: int

    def over(self, start: int, first: int, count: int, size: int) -> NDArray[np.float32]:
        """Gains of `count` frames of `size` from frame number `first` on; frame 0 begins half a frame before
        `start` of the common part, the next ones half a frame apart (count,)."""
        at = start + (first + np.arange(count)[:, np.newaxis]) * (size // 2) - size // 2
        at = at + (np.arange(_POINTS) + 0.5) * (size / _POINTS)
        taper = np.sin(np.pi * (np.arange(_POINTS) + 0.5) / _POINTS) ** 2
        steps = np.floor(at / self.step).astype(np.int64)
        inside = (steps >= 0) & (steps < self.cross.shape[0])
        steps = np.clip(steps, 0, max(self.cross.shape[0] - 1, 0))
        above, below = (np.where(inside, sums[steps], 0.0) @ taper for sums in (self.cross, self.open_power))
        gains = np.divide(above, below, out=np.zeros_like(above), where=below > self.floor)
        followed: NDArray[np.float32] = np.maximum(gains, 0.0).astype(np.float32)
        return followed

    @property
    def floor(self) -> float:
        return _SILENT * float(self.open_power.mean()) * _POINTS / 2.0


def gain_following(cross: Values, open_power: Values, step: int) -> GainFollowing:
    """From sums by step: of open·other, and of open²."""
    return GainFollowing(cross, open_power, step)


def gain_curve(cross: Values, other_power: Values, open_power: Values, gain: float, step: int) -> GainCurve:
    """The curve from sums by step: of open·other, other² and open²."""
    taper = np.sin(np.pi * (np.arange(STEPS_A_WINDOW) + 0.5) / STEPS_A_WINDOW) ** 2
    taper = np.convolve(taper, [0.5, 0.5])  # of odd length, so that its middle is a step
    floor = _SILENT * taper.sum() * float(other_power.mean()) if other_power.shape[0] else 0.0
    above = _smooth(cross, taper) + floor * gain
    below = _smooth(other_power, taper) + floor
    gains = np.divide(above, below, out=np.full_like(above, gain), where=below > 0.0)
    loudness = _smooth(open_power, taper)
    loud = (loudness > _LOUD * loudness.mean()) & (gains > 0.0)
    spread = None
    if loud.any():
        low, high = np.percentile(20.0 * np.log10(gains[loud]), [5.0, 95.0])
        spread = float(high - low)
    return GainCurve(gains, step, spread)


def _smooth(sums: Values, taper: Values) -> Values:
    half = taper.shape[0] // 2
    smooth: Values = np.convolve(sums, taper)[half : half + sums.shape[0]]
    return smooth
