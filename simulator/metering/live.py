"""Readings of a live meter, from the last seconds that left the program.

Conventions: samples float32 (frames, 2), the newest last; momentary is the last 400 ms, short-term the last
3 s (ITU-R BS.1770-5 weighting, EBU Tech 3341 windows, no gates); true peak is the highest of the last 400 ms.
None where there are not enough samples yet, or nothing above −70 LUFS (the standard's absolute gate). Each
reading is worked out anew from the samples alone, so that a late or lost one leaves no trace in the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import energy_to_lufs, gain_to_db, seconds_to_frames
from simulator.dsp.k_weighting import KWeighting
from simulator.metering.gating import ABSOLUTE_GATE_LUFS
from simulator.metering.true_peak import TruePeakMeter

MOMENTARY_SECONDS = 0.4
SHORT_TERM_SECONDS = 3.0
WARM_UP_SECONDS = 0.5
"""The weighting's high-pass (38 Hz) forgets what came before in a small part of this."""
WANTED_SECONDS = SHORT_TERM_SECONDS + WARM_UP_SECONDS


@dataclass(frozen=True, slots=True)
class Reading:
    """What a live meter shows at one moment."""

    momentary_lufs: float | None = None
    short_term_lufs: float | None = None
    true_peak_dbtp: float | None = None


def read_live(samples: NDArray[np.float32], sample_rate: int) -> Reading:
    """The reading at the end of `samples` (frames, 2); best given WANTED_SECONDS of them."""
    samples = samples[-seconds_to_frames(WANTED_SECONDS, sample_rate) :]
    frames = samples.shape[0]
    if not frames or not samples.any():
        return Reading()
    square = np.zeros(frames)
    for channel in range(samples.shape[1]):
        weighted = KWeighting(sample_rate).filter(np.ascontiguousarray(samples[:, channel]))
        square += weighted * weighted
    recent = samples[-seconds_to_frames(MOMENTARY_SECONDS, sample_rate) :]
    peak = float(np.abs(recent).max())
    for channel in range(recent.shape[1]):
        meter = TruePeakMeter(sample_rate, 1.0)
        meter.add(np.ascontiguousarray(recent[:, channel]))
        meter.finish()
        peak = max(peak, float(meter.best))
    return Reading(
        _loudness(square, seconds_to_frames(MOMENTARY_SECONDS, sample_rate)),
        _loudness(square, seconds_to_frames(SHORT_TERM_SECONDS, sample_rate)),
        gain_to_db(peak),
    )


def _loudness(square: NDArray[np.float64], frames: int) -> float | None:
    """Loudness of the last `frames` squares; None where there are fewer, and below the absolute gate."""
    if square.shape[0] < frames:
        return None
    found = energy_to_lufs(float(square[-frames:].mean()))
    return None if found is None or found < ABSOLUTE_GATE_LUFS else found
