"""A mix in rows of 0.7 ms, on which a drive into the limiter is tried in milliseconds.

Each row holds the greatest magnitude of the wave (4×, ITU-R BS.1770-5 Annex 2) and the K-weighted energy of
its frames. The limiter itself runs over the rows instead of the frames: its gain moves over 4 ms and more, so
the loudness comes out within some hundredths of a LU of what the whole pass gives, and the one whole pass
that follows says what it really is. Only for true-peak limiting without a clip: the rows do not hold what a
clip takes from the wave.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import channel_weights
from simulator.common.units import db_to_gain
from simulator.dsp.interpolation import REACH, ROW, Screen
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.limiter import limit_by
from simulator.dsp.limiter_settings import LimiterSettings
from simulator.dsp.mastering_limiter import ActionReport, MasteringSettings, TwoStageRelease
from simulator.dsp.segments import recut
from simulator.metering import gating

STEPS_A_SECOND = 10


@dataclass(frozen=True, slots=True)
class Envelope:
    """`peak` is the linear maximum over all channels, `energy` the channel-weighted sum of K-weighted
    squares, both (rows,)."""

    sample_rate: int
    frames: int
    peak: NDArray[np.float32]
    energy: NDArray[np.float32]

    def integrated_lufs(self, drive_db: float, settings: MasteringSettings) -> float | None:
        """The loudness that the drive would give; None where nothing passes the gates."""
        if not self.peak.shape[0]:
            return None
        driven = self.peak * np.float32(db_to_gain(drive_db))
        rate = max(1, round(self.sample_rate / ROW))
        limiter = LimiterSettings(settings.ceiling_db, "sample", settings.look_ahead_ms, settings.fast_ms)
        release = TwoStageRelease(rate, settings)
        limited = limit_by([driven], 1, rate, limiter, release, ActionReport(), settings.hold_ms)
        after = np.concatenate([block[:, 0] for block in limited])
        gain = np.divide(after, driven, out=np.ones_like(driven), where=driven > 0.0).astype(np.float64)
        energy = self.energy * (gain * db_to_gain(drive_db + settings.output_gain_db)) ** 2
        count = self.frames * STEPS_A_SECOND // self.sample_rate
        step = (np.arange(energy.shape[0]) * ROW + ROW // 2) * STEPS_A_SECOND // self.sample_rate
        sums = np.bincount(step, energy, count)[:count].astype(np.float64)
        return gating.integrated_lufs(sums * (STEPS_A_SECOND / self.sample_rate))


def envelope(blocks: Iterable[NDArray[np.floating]], sample_rate: int, channels: int) -> Envelope:
    """One pass over the mix. Raises ValueError for a layout that BS.1770 does not know."""
    weights = channel_weights(channels)
    filters, screen = [KWeighting(sample_rate) for _ in weights], Screen()
    peaks, energies, frames = [], [], 0
    for segment in recut(blocks, channels):
        frames += segment.shape[0]
        rows = -(-segment.shape[0] // ROW)
        peak, energy = np.zeros(rows, np.float32), np.zeros(rows)
        for index, weight in enumerate(weights):
            samples = np.ascontiguousarray(segment[:, index])
            padded = np.pad(samples, (REACH, rows * ROW - samples.shape[0] + REACH))
            np.maximum(peak, screen.look(padded, REACH, rows).max(axis=0), out=peak)
            if weight:
                weighted = np.zeros(rows * ROW)
                weighted[: samples.shape[0]] = filters[index].filter(samples)
                energy += weight * np.square(weighted).reshape(rows, ROW).sum(axis=1)
        peaks.append(peak)
        energies.append(energy.astype(np.float32))
    return Envelope(sample_rate, frames, _joined(peaks), _joined(energies))


def _joined(parts: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)
