"""Gated loudness of a programme, from K-weighted energy in steps of 10 ms.

Source: ITU-R BS.1770-5 Annex 1: mean square of the weighted channel; blocks of 400 ms every 100 ms, the
incomplete one dropped; absolute gate at −70 LUFS; relative gate 10 LU below the absolute-gated mean; means
are of energy. The 10 ms step is for the maximum of momentary loudness (EBU Tech 3341 case 13 fails at 100
ms); ten make the 100 ms step of the gating blocks. `mean_energies` is exact to the frame, without gates. Mean
squares of 100 ms steps are float64, summed over weighted channels.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import energy_to_lufs, lufs_to_energy
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import SEGMENT_FRAMES, edge_frames, step_of

FINE_PER_SECOND = 100
FINE_PER_STEP = 10
_PART = 30_000


class StepEnergy:
    """Sums of squares of one channel in 10 ms steps; segments need not align with the steps."""

    def __init__(self, sample_rate: int) -> None:
        self._rate = sample_rate
        self._position = 0
        self._open_sum = 0.0
        self._done: list[NDArray[np.float64]] = []

    def add(self, weighted: NDArray[np.float64]) -> None:
        """Takes the next weighted samples (frames,), and overwrites them."""
        frames = weighted.shape[0]
        squares = np.multiply(weighted, weighted, out=weighted)
        first = step_of(self._position, self._rate, FINE_PER_SECOND)
        last = step_of(self._position + frames - 1, self._rate, FINE_PER_SECOND)
        edges = edge_frames(first + 1, last + 1, self._rate, FINE_PER_SECOND) - self._position
        sums = np.add.reduceat(squares, np.concatenate([[0], edges[:-1]]))
        sums[0] += self._open_sum
        closed = int(edges[-1]) == frames  # the segment ends where its last step does
        self._done.append(sums if closed else sums[:-1])
        self._open_sum = 0.0 if closed else float(sums[-1])
        self._position += frames

    def take_fine_sums(self) -> NDArray[np.float64]:
        """Sums of squares of all complete 10 ms steps, handed over: they are the only part of a measurement
        that grows with the length."""
        sums = np.concatenate(self._done) if self._done else np.zeros(0)
        self._done.clear()
        return sums


def greatest_momentary(fine_sums: NDArray[np.float64], sample_rate: int) -> float | None:
    """The greatest mean square of 400 ms, in steps of 10 ms; None below 400 ms. Works in parts, to spare the
    memory of an hour's copy."""
    window = FINE_PER_STEP * STEPS_MOMENTARY
    best = None
    for first in range(0, fine_sums.shape[0] - window + 1, _PART):
        part = fine_sums[first : first + _PART + window - 1]
        lengths = np.diff(edge_frames(first, first + part.shape[0], sample_rate, FINE_PER_SECOND))
        best = max(best or 0.0, float(running_mean(part / lengths, window).max()))
    return best


def step_energies(fine_sums: NDArray[np.float64], sample_rate: int) -> NDArray[np.float64]:
    """Mean squares of complete 100 ms steps, from sums of 10 ms steps."""
    steps = fine_sums.shape[0] // FINE_PER_STEP
    sums = fine_sums[: steps * FINE_PER_STEP].reshape(steps, FINE_PER_STEP).sum(axis=1)
    return np.asarray(sums / np.diff(edge_frames(0, steps, sample_rate, FINE_PER_SECOND // FINE_PER_STEP)))


def mean_energies(samples: NDArray[np.float32], firsts: Sequence[int], sample_rate: int) -> list[float]:
    """Mean K-weighted square from each of `firsts` (0 or more) to the end, all channels of `samples` (frames,
    channels) with weight 1; the frames before lead the weighting in. 0 without frames."""
    frames = samples.shape[0]
    sums = [0.0 for _ in firsts]
    for channel in range(samples.shape[1]):
        weighting = KWeighting(sample_rate)
        for begin in range(0, frames, SEGMENT_FRAMES):
            part = weighting.filter(np.ascontiguousarray(samples[begin : begin + SEGMENT_FRAMES, channel]))
            for index, first in enumerate(firsts):
                counted = part[max(first - begin, 0) :]
                sums[index] += float(counted @ counted)
    return [
        total / (frames - first) if first < frames else 0.0 for total, first in zip(sums, firsts, strict=True)
    ]


def exact_lufs(samples: NDArray[np.float32], lead_frames: int, sample_rate: int) -> float | None:
    """Loudness of `samples` (frames, 2) after the first `lead_frames`, which only lead in (ITU-R BS.1770-5
    without gates); None for silence or no frames."""
    return energy_to_lufs(mean_energies(samples, (lead_frames,), sample_rate)[0])


STEPS_MOMENTARY = 4
STEPS_SHORT_TERM = 30
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0


def running_mean(energy: NDArray[np.float64], steps: int) -> NDArray[np.float64]:
    """Mean of each `steps` neighbours (n − steps + 1,); empty where there are fewer. Each window is summed by
    itself: a running sum would leave rounding of loud passages in the silence after them."""
    if energy.shape[0] < steps:
        return np.zeros(0)
    count = energy.shape[0] - steps + 1
    total = energy[:count].copy()
    for offset in range(1, steps):
        total += energy[offset : offset + count]
    return total / steps


def momentary_energies(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energies of the 400 ms gating blocks, every 100 ms."""
    return running_mean(energy, STEPS_MOMENTARY)


def short_term_energies(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energies of the 3 s windows, every 100 ms."""
    return running_mean(energy, STEPS_SHORT_TERM)


def gated_energies(
    energies: NDArray[np.float64], relative_gate_lu: float, absolute_gate_lufs: float = ABSOLUTE_GATE_LUFS
) -> NDArray[np.float64]:
    """The energies above the absolute gate, and above `relative_gate_lu` relative to their mean."""
    above = energies[energies > lufs_to_energy(absolute_gate_lufs)]
    if not above.shape[0]:
        return above
    return np.asarray(above[above > above.mean() * 10.0 ** (relative_gate_lu / 10.0)])


def integrated_lufs(energy: NDArray[np.float64]) -> float | None:
    """Integrated loudness of 100 ms energies; None where no block passes the gates."""
    return _gated_loudness(momentary_energies(energy))


def album_loudness_lufs(series: Iterable[NDArray[np.float64]]) -> float | None:
    """Integrated loudness of several tracks as one programme: their blocks together under one relative gate.
    No block spans two tracks; their order does not matter (sums are taken over sorted blocks)."""
    blocks = [momentary_energies(energy) for energy in series]
    return _gated_loudness(np.sort(np.concatenate(blocks))) if blocks else None


def _gated_loudness(blocks: NDArray[np.float64]) -> float | None:
    counted = gated_energies(blocks, RELATIVE_GATE_LU)
    return energy_to_lufs(float(counted.mean())) if counted.shape[0] else None
