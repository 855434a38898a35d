"""Gated loudness of a whole programme, silences not counted.

Source: ITU-R BS.1770-5 Annex 1: blocks of 400 ms each 100 ms, the incomplete one dropped; absolute
gate at −70 LUFS; relative gate 10 LU below the absolute-gated mean; means are of energy.
Input everywhere: mean squares of 100 ms steps (float64), already summed over weighted channels.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import energy_to_lufs, lufs_to_energy

STEPS_MOMENTARY = 4
STEPS_SHORT_TERM = 30
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0


def running_mean(energy: NDArray[np.float64], steps: int) -> NDArray[np.float64]:
    """Mean of each `steps` neighbours (n − steps + 1,); empty where there are fewer.

    Each window is summed anew: a running sum would leave rounding of the loud passages in the
    silences that follow them.
    """
    if energy.shape[0] < steps:
        return np.zeros(0)
    count = energy.shape[0] - steps + 1
    total = energy[:count].copy()
    for offset in range(1, steps):
        total += energy[offset : offset + count]
    return total / steps


def momentary_energies(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energies of the 400 ms gating blocks, one each 100 ms."""
    return running_mean(energy, STEPS_MOMENTARY)


def short_term_energies(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energies of the 3 s windows, one each 100 ms."""
    return running_mean(energy, STEPS_SHORT_TERM)


def gated_energies(
    energies: NDArray[np.float64], relative_gate_lu: float, absolute_gate_lufs: float = ABSOLUTE_GATE_LUFS
) -> NDArray[np.float64]:
    """Those above the absolute gate and above `relative_gate_lu` from the mean of those."""
    above = energies[energies > lufs_to_energy(absolute_gate_lufs)]
    if not above.shape[0]:
        return above
    counted: NDArray[np.float64] = above[above > above.mean() * 10.0 ** (relative_gate_lu / 10.0)]
    return counted


def integrated_lufs(energy: NDArray[np.float64]) -> float | None:
    """Integrated loudness of 100 ms energies; None where no block passes the gates."""
    return _gated_loudness(momentary_energies(energy))


def album_loudness_lufs(series: Iterable[NDArray[np.float64]]) -> float | None:
    """Integrated loudness of several tracks as one programme: the union of their blocks under one
    relative gate. No block spans two tracks, and their order does not matter (sums are taken over
    sorted blocks)."""
    blocks = [momentary_energies(energy) for energy in series]
    return _gated_loudness(np.sort(np.concatenate(blocks))) if blocks else None


def _gated_loudness(blocks: NDArray[np.float64]) -> float | None:
    counted = gated_energies(blocks, RELATIVE_GATE_LU)
    return energy_to_lufs(float(counted.mean())) if counted.shape[0] else None
