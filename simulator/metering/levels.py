"""Plain levels of one channel: sample peak, energy, DC, and how much of it stands at its ceiling.

Definitions: crest factor = sample peak over RMS of all channels (not loudness-weighted); "at its
ceiling" = share of samples within 0.1 dB of the file's sample peak; DC = mean of the samples.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import CHANNEL_NAMES
from simulator.common.errors import AudioError
from simulator.common.units import format_time

CEILING_RANGE_DB = 0.1
_NEAR = np.float32(10.0 ** (-CEILING_RANGE_DB / 20.0))
_BINS_PER_DB = 1000.0
LARGEST = np.float32(1e6)
"""120 dB over full scale. Floating point holds more, but no sound does, and sums of it overflow."""


class LevelMeter:
    """Takes the segments of one channel in order."""

    def __init__(self, sample_rate: int, channels: int, channel: int) -> None:
        self._rate, self._name = sample_rate, CHANNEL_NAMES[channels][channel]
        self._frames = 0
        self._sum = 0.0
        self.energy_sum = 0.0
        self.peak = 0.0
        self._near: dict[int, int] = {}
        self._height = np.zeros(0, dtype=np.float32)

    def add(self, samples: NDArray[np.float32]) -> None:
        """Raises AudioError with the time where a sample is NaN, infinite or beyond LARGEST."""
        if self._height.shape != samples.shape:
            self._height = np.zeros(samples.shape, dtype=np.float32)
        height = np.abs(samples, out=self._height)
        top = height.max()  # NaN where one is
        if not top <= LARGEST:
            self._name_fault(samples)
        self.energy_sum += float(np.dot(samples, samples))
        self._sum += float(samples.sum(dtype=np.float32))
        self._frames += samples.shape[0]
        self.peak = max(self.peak, float(top))
        # The final peak is not known yet; what is near the peak so far holds all that will be near it.
        limit = np.float32(self.peak) * _NEAR
        if self.peak > 0.0 and top >= limit:
            self._count_near(height[np.flatnonzero(height >= limit)])

    def _count_near(self, values: NDArray[np.float32]) -> None:
        bins, counts = np.unique(
            np.floor(20.0 * _BINS_PER_DB * np.log10(values.astype(np.float64))), return_counts=True
        )
        for key, count in zip(bins.astype(int).tolist(), counts.tolist(), strict=True):
            self._near[key] = self._near.get(key, 0) + count
        lowest = math.floor(_BINS_PER_DB * (20.0 * math.log10(self.peak) - CEILING_RANGE_DB))
        if len(self._near) > 2 * _BINS_PER_DB * CEILING_RANGE_DB:
            self._near = {key: count for key, count in self._near.items() if key >= lowest}

    def _name_fault(self, samples: NDArray[np.float32]) -> None:
        first = int(np.flatnonzero(~(np.abs(samples) <= LARGEST))[0])
        if np.isnan(samples[first]):
            kind = "not a number (NaN)"
        elif np.isinf(samples[first]):
            kind = "infinite"
        else:
            kind = f"{abs(samples[first]):.2g} times full scale, and no sound"
        at = format_time((self._frames + first) / self._rate)
        raise AudioError(
            f"the sample at {at} in channel {self._name} is {kind}.",
            "Export the file again from the session; a plug-in that went wrong there is the usual cause.",
        )

    def dc_offset(self) -> float:
        return self._sum / self._frames if self._frames else 0.0

    def count_within(self, file_peak: float) -> int:
        """Samples within 0.1 dB below `file_peak` (resolved to 0.001 dB)."""
        if file_peak <= 0.0:
            return 0
        lowest = math.floor(_BINS_PER_DB * (20.0 * math.log10(file_peak) - CEILING_RANGE_DB))
        return sum(count for key, count in self._near.items() if key >= lowest)
