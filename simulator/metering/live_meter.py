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
from simulator.metering.gating import ABSOLUTE_GATE_LUFS, mean_energies
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
    windows = [seconds_to_frames(seconds, sample_rate) for seconds in (MOMENTARY_SECONDS, SHORT_TERM_SECONDS)]
    energies = mean_energies(samples, [max(frames - window, 0) for window in windows], sample_rate)
    recent = samples[-windows[0] :]
    peak = float(np.abs(recent).max())
    for channel in range(recent.shape[1]):
        meter = TruePeakMeter(sample_rate, 1.0)
        meter.add(np.ascontiguousarray(recent[:, channel]))
        meter.finish()
        peak = max(peak, float(meter.best))
    momentary, short_term = (
        _loudness(energy) if window <= frames else None
        for energy, window in zip(energies, windows, strict=True)
    )
    return Reading(momentary, short_term, gain_to_db(peak))


def _loudness(energy: float) -> float | None:
    """None below the absolute gate."""
    found = energy_to_lufs(energy)
    return None if found is None or found < ABSOLUTE_GATE_LUFS else found
