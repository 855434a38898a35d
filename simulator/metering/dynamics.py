"""Dynamics: loud and quiet passages, and peak to short-term loudness.

Sources: EBU Tech 3342 (loudness range: 3 s windows, absolute gate −70 LUFS, relative gate −20 LU,
10th to 95th percentile); AES e-Brief 373 (peak to short-term loudness: true peak of the same 3 s
window minus its short-term loudness). Loudest passage = greatest short-term loudness; quietest =
10th percentile of the short-term loudness that passes Tech 3342's gates. Punch's second figure is
the median peak to short-term loudness over windows louder than integrated − 10 LU.
Input: energies and linear true peaks of 100 ms steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import LOUDNESS_OFFSET_DB, energy_to_lufs, lufs_to_energy
from simulator.metering import gating

LRA_RELATIVE_GATE_LU = -20.0
LOW_PERCENT = 10
HIGH_PERCENT = 95
PSR_GATE_LU = -10.0


@dataclass(frozen=True, slots=True)
class WindowFigures:
    """Figures of the 3 s windows; None where there is no such window. Named as in a Measurement."""

    max_short_term_lufs: float | None
    quietest_passage_lufs: float | None
    loudness_range_lu: float | None
    min_peak_to_short_term_db: float | None
    median_peak_to_short_term_db: float | None


def figures(energy: NDArray[np.float64], true_peak: NDArray[np.float32]) -> WindowFigures:
    """The figures of one pair of series (steps,), (steps,)."""
    windows = gating.short_term_energies(energy)
    loudest = energy_to_lufs(float(windows.max())) if windows.shape[0] else None
    ordered = np.sort(gating.gated_energies(windows, LRA_RELATIVE_GATE_LU))
    quiet = loud = None
    if ordered.shape[0]:
        quiet = energy_to_lufs(float(ordered[percentile_index(ordered.shape[0], LOW_PERCENT)]))
        loud = energy_to_lufs(float(ordered[percentile_index(ordered.shape[0], HIGH_PERCENT)]))
    ratios = peak_to_short_term_db(energy, true_peak)
    counted = ratios[psr_windows(energy)]
    return WindowFigures(
        max_short_term_lufs=loudest,
        quietest_passage_lufs=quiet,
        loudness_range_lu=None if quiet is None or loud is None else loud - quiet,
        min_peak_to_short_term_db=float(counted.min()) if counted.shape[0] else None,
        median_peak_to_short_term_db=float(np.median(counted)) if counted.shape[0] else None,
    )


def percentile_index(count: int, percent: int) -> int:
    """Index of a percentile in a sorted list, as in Tech 3342's reference code: round((n − 1)·p/100), halves
    up."""
    return (2 * (count - 1) * percent + 100) // 200


def quiet_window(energy: NDArray[np.float64]) -> int | None:
    """The number of the 3 s window that is the quietest passage (the first of equals); window k starts at
    k·0.1 s. For versions of one song it is chosen once, on one version, and read at the same moment in
    all."""
    return quietest_of(gating.short_term_energies(energy))


def quietest_of(windows: NDArray[np.float64]) -> int | None:
    """The same from the energies of the windows (windows,)."""
    ordered = np.sort(gating.gated_energies(windows, LRA_RELATIVE_GATE_LU))
    if not ordered.shape[0]:
        return None
    return int(np.argmax(windows == ordered[percentile_index(ordered.shape[0], LOW_PERCENT)]))


def loud_window(energy: NDArray[np.float64]) -> int | None:
    """The number of the loudest 3 s window (the first of equals); None under 3 s or in silence."""
    return loudest_of(gating.short_term_energies(energy))


def loudest_of(windows: NDArray[np.float64]) -> int | None:
    """The same from the energies of the windows (windows,)."""
    return int(np.argmax(windows)) if windows.shape[0] and windows.max() > 0.0 else None


def psr_windows(energy: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which 3 s windows count for the peak to short-term figures: louder than integrated − 10 LU."""
    windows = gating.short_term_energies(energy)
    integrated = gating.integrated_lufs(energy)
    if integrated is None:
        return np.zeros(windows.shape[0], dtype=np.bool_)
    return windows > lufs_to_energy(integrated + PSR_GATE_LU)


def peak_to_short_term_db(energy: NDArray[np.float64], true_peak: NDArray[np.float32]) -> NDArray[np.float64]:
    """True peak minus short-term loudness of each 3 s window (windows,); 0 for digital silence, which never
    counts."""
    windows = gating.short_term_energies(energy)
    if not windows.shape[0]:
        return np.zeros(0)
    peaks = running_max(true_peak, gating.STEPS_SHORT_TERM).astype(np.float64)
    sounding = (windows > 0.0) & (peaks > 0.0)
    ratio = np.where(sounding, peaks * peaks, 1.0) / np.where(sounding, windows, 1.0)
    return np.where(sounding, 10.0 * np.log10(ratio) - LOUDNESS_OFFSET_DB, 0.0)


def running_max(values: NDArray[np.float32], steps: int) -> NDArray[np.float32]:
    """Greatest of each `steps` neighbours (n − steps + 1,)."""
    count = values.shape[0] - steps + 1
    best = values[:count].copy()
    for offset in range(1, steps):
        np.maximum(best, values[offset : offset + count], out=best)
    return best
