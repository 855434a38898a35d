"""Noise-to-mask ratio of a change: both versions in step, block by block, and the audibility at the end.

Each frame of the other version is matched to the open one by its own gain (least squares of the ear-weighted
magnitudes). Gain riding is the movement of these gains; the change is the remainder. The error is the
difference of the magnitude spectra, after ITU-R BS.1387-1, Annex 2, 2.1.7 (from memory): phase is no error.
Blocks are float32 (frames, channels) at one rate, aligned; their sizes do not change the result.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audibility.audibility import Audibility
from simulator.audibility.masking_threshold import (
    ear,
    excitation,
    frame_size,
    hann,
    mask_over_time,
    spectra,
    tonality,
    without_balance,
)
from simulator.audibility.moments import AudibleSeries, HeldNotes, audibility_of
from simulator.common.channels import counted_channels
from simulator.dsp.segments import METER_FRAMES, Pieces

Block = NDArray[np.float32]
_SILENT = 1e-12
"""Power relative to the open version's below which the other one counts as silent."""
STEPS_A_HOP = 16
"""Steps of the envelopes: 1.45 ms at 44.1 kHz."""
AT_ONCE = 64
"""Frames whose spectra are computed together: they stay in a core's own cache."""
_PIECES = 2
"""Pieces that may be in work at the same time."""
_BEFORE = 3
"""Hops that a piece needs of the one before: the frame across its start, and two more for tonality."""

Each = Callable[[Callable[[Block], Any], Iterable[Block]], Iterable[Any]]


@dataclass(frozen=True, slots=True)
class _Piece:
    """The spectra of one piece, before forward masking: (frames, channels, bands), (frames,)."""

    power: Block
    """Of the open version, (bands, columns)."""
    excited: Block
    error: Block
    tonal: Block
    gains: Block
    level: Block


class AudibilityMeter:
    """Takes both versions, gives the Audibility. `balance` is a fixed tonal difference that does not count:
    (centre in Hz, level of the other version relative to the open one in dB) by third octave, as in
    `Difference.third_octaves`. `start_s` is the open version's time at the first frame. `each` works on
    several pieces: a thread pool's `map` gives the same result sooner."""

    def __init__(
        self,
        sample_rate: int,
        channels: int,
        *,
        balance: Sequence[tuple[float, float]] = (),
        start_s: float = 0.0,
        each: Each = map,
    ) -> None:
        self._rate, self._start_s, self._each = sample_rate, start_s, each
        self._counted = counted_channels(channels)
        self._ear = ear(sample_rate)
        size = frame_size(sample_rate)
        self._size, self._hop = size, size // 2
        self._window = hann(size)
        self._weight = np.sqrt(self._ear.weighting)
        self._other_weight = self._weight * without_balance(balance, sample_rate, size)
        self._waiting = Pieces()
        self._edge = np.zeros((2, len(self._counted), _BEFORE * self._hop), dtype=np.float32)
        self._masked = np.zeros((self._ear.bands, len(self._counted)), dtype=np.float32)
        self._notes = HeldNotes(sample_rate, balance)
        self._nmr: list[NDArray[np.float32]] = []
        self._mean: list[NDArray[np.float32]] = []
        self._frames: list[NDArray[np.float32]] = []
        self._envelopes: list[NDArray[np.float32]] = []
        self._bright: list[NDArray[np.float32]] = []

    def push(self, ours: NDArray[np.floating], theirs: NDArray[np.floating]) -> None:
        """The next frames of the open version and the other one. Raises ValueError where their shapes
        differ."""
        if ours.shape != theirs.shape:
            raise ValueError(f"blocks of {ours.shape} and {theirs.shape} are not in step")
        both = np.empty((2, len(self._counted), ours.shape[0]), dtype=np.float32)
        for side, block in enumerate((ours, theirs)):
            both[side] = block.T[self._counted]
        self._waiting.push(both)
        if self._waiting.frames >= _PIECES * METER_FRAMES:
            self._pieces(self._waiting.complete())

    def finish(self) -> Audibility:
        """The result; the meter cannot be used afterwards."""
        self._pieces(self._waiting.complete())
        if self._waiting.frames or not self._frames:
            self._pieces([self._waiting.rest((2, len(self._counted)), self._size)])
        gains, levels = np.concatenate(self._frames, axis=1)
        return audibility_of(
            AudibleSeries(
                frame_s=self._hop / self._rate,
                step_s=self._hop / STEPS_A_HOP / self._rate,
                nmr=np.concatenate(self._nmr),
                mean_nmr=np.concatenate(self._mean),
                gains=gains,
                levels_db=levels,
                envelopes=np.concatenate(self._envelopes, axis=1),
                bright=np.concatenate(self._bright, axis=1),
                notes=self._notes.finish(),
                low_hz=self._ear.low_hz,
                high_hz=self._ear.high_hz,
                start_s=self._start_s,
            )
        )

    def _pieces(self, pieces: Sequence[Block]) -> None:
        """Takes pieces (2, channels, frames), of a multiple of the frame size."""
        step, joined = self._hop // STEPS_A_HOP, []
        for both in pieces:
            bright = np.diff(both, axis=2, prepend=self._edge[:, :, -1:])
            for kept, samples in ((self._envelopes, both), (self._bright, bright)):
                kept.append(np.square(samples).sum(axis=1).reshape(2, -1, step).sum(axis=2))
            joined.append(np.concatenate([self._edge, both], axis=2))
            self._edge = joined[-1][:, :, -_BEFORE * self._hop :]
        done = self._each(self._spectra, joined)
        for both in pieces:
            self._notes.push(both.sum(axis=1))
        for piece in done:
            nmr = piece.error / mask_over_time(
                self._ear, piece.power, piece.excited, piece.tonal, self._masked
            )
            self._nmr.append(nmr.max(axis=1))
            self._mean.append(nmr.mean(axis=(1, 2)))
            levels = 10.0 * np.log10(np.maximum(piece.level, 1e-6))
            self._frames.append(np.stack([piece.gains, levels]).astype(np.float32))

    def _spectra(self, joined: Block) -> _Piece:
        """The spectra of one piece, given with the hops before it."""
        table, channels = self._ear, joined.shape[1]
        count = joined.shape[2] // self._hop - _BEFORE
        power, error, tonal = (np.empty((count, channels, table.bands), dtype=np.float32) for _ in range(3))
        gains, level = np.empty((2, count), dtype=np.float32)
        last_two = spectra(joined[0], self._window, self._hop, slice(0, _BEFORE - 1))
        for first in range(0, count, AT_ONCE):
            held = slice(first, min(first + AT_ONCE, count))
            ahead = slice(held.start + _BEFORE - 1, held.stop + _BEFORE - 1)
            ours, theirs = (spectra(version, self._window, self._hop, ahead) for version in joined)
            successive = np.concatenate([last_two, ours])
            last_two = successive[-2:]
            tonal[held] = tonality(table, successive)
            mine, other = np.abs(ours), np.abs(theirs)
            mine *= self._weight
            other *= self._other_weight
            cross, own, level[held] = (
                np.einsum("kcb,kcb->k", a, b) for a, b in ((mine, other), (other, other), (mine, mine))
            )
            gains[held] = np.divide(cross, own, out=np.zeros_like(own), where=own > _SILENT * level[held])
            other *= gains[held, np.newaxis, np.newaxis]
            np.subtract(mine, other, out=other)
            power[held] = np.square(mine, out=mine) @ table.grouping
            error[held] = np.square(other, out=other) @ table.grouping
        by_band = np.ascontiguousarray(power.reshape(-1, table.bands).T)
        return _Piece(by_band, excitation(table, by_band), error, tonal, gains, level)
