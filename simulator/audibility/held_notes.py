"""Held notes, and the harmonics that the other version adds to them. Without a model of hearing.

A note is the strongest partial between 40 Hz and 1 kHz of the channels' sum, where it is steady: three frames
of about 186 ms in a row within one bin and 3 dB, with four fifths of what is near it in its own main lobe.
Both versions are matched at the note itself. The second to fifth harmonics count where they rise by 3 dB or
more: what was there before is music. The limits are the project's own choice.
Conventions: arrays float32 (2, frames): the open version and the other one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.audibility.masking_threshold import hann, without_balance

LOWEST_HZ, HIGHEST_HZ = 40.0, 1000.0
_HARMONICS = (2, 3, 4, 5)
_LOBE = 2
"""Bins to either side that hold a partial under a Hann window."""
_NEAR = 6
_STEADY_DB, _PURE, _RISES = 3.0, 0.8, 2.0


@dataclass(frozen=True, slots=True)
class Notes:
    """By frame, `hop_s` apart, the first centred on 0: `hz` is NaN where no note is held; `added` is the
    power added in the harmonics against the note's."""

    hop_s: float
    hz: NDArray[np.float32]
    added: NDArray[np.float32]


class HeldNotes:
    """Watches both versions. `balance` is taken out of the other one, as in audibility/masking_threshold."""

    def __init__(self, sample_rate: int, balance: Sequence[tuple[float, float]]) -> None:
        self._rate = sample_rate
        self._size = 1 << max(6, round(float(np.log2(0.186 * sample_rate))))
        self._balance = np.square(without_balance(balance, sample_rate, self._size))
        self._hop = self._size // 2
        self._window = hann(self._size)
        self._held = np.zeros((2, self._hop), dtype=np.float32)
        self._found: list[NDArray[np.float64]] = []

    def push(self, both: NDArray[np.float32]) -> None:
        """The next samples (2, frames)."""
        joined = np.concatenate([self._held, both], axis=1)
        count = joined.shape[1] // self._hop - 1
        self._held = joined[:, max(count, 0) * self._hop :].copy()
        if count < 1:
            return
        strides = (joined.strides[0], self._hop * joined.itemsize, joined.itemsize)
        frames = np.lib.stride_tricks.as_strided(joined, (2, count, self._size), strides)
        highest = int(HIGHEST_HZ * (_HARMONICS[-1] + 0.5) * self._size / self._rate) + _LOBE + 2
        spectra = np.fft.rfft(frames * self._window, axis=2)[:, :, : min(highest, self._size // 2 + 1)]
        power = spectra.real**2 + spectra.imag**2
        power[1] *= self._balance[: power.shape[2]]
        self._found.append(self._peaks(power))

    def _peaks(self, power: NDArray[np.floating]) -> NDArray[np.float64]:
        """For each frame the note's place in bins, its level in dB, how pure it is, and what is added."""
        ours, theirs = power.astype(np.float64)
        width = self._rate / self._size
        first, last = int(LOWEST_HZ / width) + 1, int(HIGHEST_HZ / width)
        rows = np.arange(ours.shape[0])
        peak = first + np.argmax(ours[:, first : last + 1], axis=1)
        left, middle, right = (np.log(np.maximum(ours[rows, peak + offset], 1e-30)) for offset in (-1, 0, 1))
        bend = left - 2.0 * middle + right
        aside = np.divide(0.5 * (left - right), bend, out=np.zeros_like(bend), where=bend < 0.0)
        place = peak + np.clip(aside, -0.5, 0.5)
        sums = np.cumsum(np.pad(np.stack([ours, theirs]), ((0, 0), (0, 0), (1, 0))), axis=2)

        def around(side: int, centre: NDArray[np.int64], half: int) -> NDArray[np.float64]:
            low = np.clip(centre - half, 0, ours.shape[1])
            high = np.clip(centre + half + 1, 0, ours.shape[1])
            return np.asarray(sums[side, rows, high] - sums[side, rows, low])

        note, matched = around(0, peak, _LOBE), around(1, peak, _LOBE)
        pure = note / np.maximum(around(0, peak, _NEAR), 1e-30)
        gain = np.divide(note, matched, out=np.zeros_like(note), where=matched > 1e-6 * note)
        added = np.zeros_like(note)
        for harmonic in _HARMONICS:
            at = np.rint(harmonic * place).astype(np.int64)
            before, after = around(0, at, _LOBE), gain * around(1, at, _LOBE)
            added += np.where(after > _RISES * before, after - before, 0.0)
        ratio = added / np.maximum(note, 1e-30)
        return np.stack([place * width, 10.0 * np.log10(np.maximum(note, 1e-30)), pure, ratio])

    def finish(self) -> Notes:
        """All frames."""
        hop_s = self._hop / self._rate
        if not self._found:
            return Notes(hop_s, np.zeros(0, dtype=np.float32), np.zeros(0, dtype=np.float32))
        hz, level, pure, added = np.concatenate(self._found, axis=1)
        steady = np.zeros(hz.shape[0], dtype=bool)
        near = (np.abs(np.diff(hz)) < self._rate / self._size) & (np.abs(np.diff(level)) < _STEADY_DB)
        steady[1:-1] = near[1:] & near[:-1]
        loud = level > level.max() - 40.0
        held = steady & loud & (pure > _PURE)
        return Notes(hop_s, np.where(held, hz, np.nan).astype(np.float32), added.astype(np.float32))
