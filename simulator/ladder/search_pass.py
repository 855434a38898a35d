"""One search pass: loudness, and the true peak where it is asked for.

Conventions: blocks float32 (frames, channels); any block size gives the same figures, which are those of
metering/meter. Source: ITU-R BS.1770-5 Annex 1 (loudness) and Annex 2 (true peak).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import channel_weights
from simulator.common.units import db_to_gain, gain_to_db
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import recut
from simulator.metering import gating
from simulator.metering.energy import StepEnergy, step_energies
from simulator.metering.measurement import Measurement
from simulator.metering.true_peak import TruePeakMeter


@dataclass(frozen=True, slots=True)
class Quick:
    """`integrated_lufs` is None where nothing passes the gates, `true_peak_dbtp` for silence and where it
    was not asked for."""

    integrated_lufs: float | None
    true_peak_dbtp: float | None


def quick(
    blocks: Iterable[NDArray[np.floating]], sample_rate: int, channels: int, *, peaks: bool = False
) -> Quick:
    """One stream's loudness; with `peaks` its true peak too. Raises ValueError for a layout that BS.1770
    does not know."""
    weights = channel_weights(channels)
    filters = [KWeighting(sample_rate) for _ in weights]
    energies = [StepEnergy(sample_rate) for _ in weights]
    meters = [TruePeakMeter(sample_rate, 1.0) for _ in weights] if peaks else []
    highest = 0.0
    for segment in recut(blocks, channels):
        for index, weight in enumerate(weights):
            samples = np.ascontiguousarray(segment[:, index])
            if peaks:
                meters[index].add(samples)
                highest = max(highest, float(np.abs(samples).max()))
            if weight:
                energies[index].add(filters[index].filter(samples))
    for meter in meters:
        meter.finish()
        highest = max(highest, float(meter.best))
    sums = [
        weight * energy.take_fine_sums() for weight, energy in zip(weights, energies, strict=True) if weight
    ]
    lufs = gating.integrated_lufs(step_energies(np.sum(sums, axis=0), sample_rate))
    return Quick(lufs, gain_to_db(highest) if peaks else None)


def gained(mix: Measurement, gain_db: float) -> Quick:
    """The same for the mix under plain gain, from its measurement: no pass is needed."""
    peak = mix.true_peak_dbtp
    factor = db_to_gain(gain_db) ** 2
    return Quick(gating.integrated_lufs(mix.series.energy * factor), None if peak is None else peak + gain_db)
