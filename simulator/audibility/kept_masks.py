"""Masks of one version, kept to compare several others with it at little cost each.

The model is that of `noise_to_mask`, with the same gain for each frame. Two things save time: only every
second of the half-overlapping frames is used, so that each sample counts once; and a frame of the other
version that is the open one's under one gain is not transformed. Shares differ from the full meter's by less
than a hundredth on music. Blocks are float32 (frames, channels) at one rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audibility.masking_threshold import (
    ear,
    excitation,
    frame_size,
    hann,
    mask_over_time,
    spectra,
    tonality,
)
from simulator.audibility.moments import ACTIVE_DB_SPL, AUDIBLE_DB
from simulator.common.channels import counted_channels
from simulator.dsp.segments import Pieces

Block = NDArray[np.float32]
AT_ONCE = 32
"""Frames whose spectra are computed together: they stay in a core's own cache."""
_BEFORE = 3
"""Hops that a piece needs of the one before: the frame across its start, and two more for tonality."""
_SAME = 1e-10
"""Share of a frame's energy (−100 dB) up to which a difference is below any threshold."""


@dataclass(frozen=True, slots=True)
class Masks:
    """`mask` (frames, channels, bands) is the power up to which a change is masked, `active` (frames,) is
    False in silence. Frames do not overlap; channels without a weight are left out."""

    sample_rate: int
    channels: int
    mask: Block
    active: NDArray[np.bool_]


class MaskMeter:
    """Takes one version's blocks, gives its masks. `each` maps over the channels: a thread pool's `map` has
    several at work at once, with the same result."""

    def __init__(self, sample_rate: int, channels: int, each: Callable[..., Iterable[Any]] = map) -> None:
        self._rate, self._channels, self._each = sample_rate, channels, each
        self._counted = counted_channels(channels)
        self._ear = ear(sample_rate)
        self._size = frame_size(sample_rate)
        self._hop, self._window = self._size // 2, hann(self._size)
        self._waiting = Pieces()
        self._edge = np.zeros((len(self._counted), _BEFORE * self._hop), dtype=np.float32)
        self._masked = [np.zeros((self._ear.bands, 1), dtype=np.float32) for _ in self._counted]
        self._masks: list[Block] = []
        self._active: list[NDArray[np.bool_]] = []

    def push(self, block: NDArray[np.floating]) -> None:
        """The next frames."""
        self._waiting.push(block.T[self._counted].astype(np.float32, copy=False))
        for piece in self._waiting.complete():
            self._piece(piece)

    def finish(self) -> Masks:
        """The masks; the meter cannot be used afterwards."""
        self._piece(self._waiting.rest((len(self._counted),), self._size))
        return Masks(self._rate, self._channels, np.concatenate(self._masks), np.concatenate(self._active))

    def _piece(self, samples: Block) -> None:
        """`samples` (channels, frames): a multiple of the frame size."""
        joined = np.concatenate([self._edge, samples], axis=1)
        self._edge = joined[:, -_BEFORE * self._hop :].copy()
        made = list(self._each(self._channel, joined[:, np.newaxis], self._masked))
        self._masks.append(np.concatenate([mask for mask, _ in made], axis=1))
        self._active.append(sum(level for _, level in made) > 10.0 ** (ACTIVE_DB_SPL / 10.0))

    def _channel(self, joined: Block, masked: Block) -> tuple[Block, Block]:
        """Mask (frames, 1, bands) and power (frames,) of one channel's samples (1, frames), of every second
        frame; `masked` carries forward masking on."""
        table, count = self._ear, joined.shape[1] // self._hop - _BEFORE
        power, tonal = (np.empty((count, 1, table.bands), dtype=np.float32) for _ in range(2))
        last_two = spectra(joined, self._window, self._hop, slice(0, _BEFORE - 1))
        for first in range(0, count, AT_ONCE):
            last = min(first + AT_ONCE, count)
            ours = spectra(joined, self._window, self._hop, slice(first + _BEFORE - 1, last + _BEFORE - 1))
            successive = np.concatenate([last_two, ours])
            last_two = successive[-2:]
            tonal[first:last] = tonality(table, successive)
            height = np.square(ours.real)
            height += np.square(ours.imag)
            height *= table.weighting
            power[first:last] = height @ table.grouping
        by_band = np.ascontiguousarray(power.reshape(-1, table.bands).T)
        mask = mask_over_time(table, by_band, excitation(table, by_band), tonal, masked)
        return mask[1::2].copy(), power[1::2].sum(axis=(1, 2))


class ShareMeter:
    """Compares another version with the masks of the open one, frame by frame."""

    def __init__(self, masks: Masks) -> None:
        self._masks, self._ear = masks, ear(masks.sample_rate)
        self._counted = counted_channels(masks.channels)
        self._size = frame_size(masks.sample_rate)
        self._window = hann(self._size)
        self._weight = np.sqrt(self._ear.weighting)
        self._at = self._audible = 0

    def push(self, ours: Block, theirs: Block) -> None:
        """The next frames of the open version and the other one: a multiple of the frame size, except the
        last."""
        count = -(-ours.shape[0] // self._size)
        both = np.zeros((2, len(self._counted), count * self._size), dtype=np.float32)
        for side, block in enumerate((ours, theirs)):
            both[side, :, : block.shape[0]] = block.T[self._counted]
        frames = both.reshape(2, len(self._counted), count, self._size)
        cross, own, whole = (
            np.einsum("cks,cks->k", a, b)
            for a, b in ((frames[0], frames[1]), (frames[0], frames[0]), (frames[1], frames[1]))
        )
        gain = np.divide(cross, own, out=np.zeros_like(own), where=own > 0.0)
        change = frames[1] - gain[:, np.newaxis] * frames[0]
        changed = np.einsum("cks,cks->k", change, change) > _SAME * whole
        places = np.flatnonzero(changed & self._masks.active[self._at : self._at + count])
        for first in range(0, places.shape[0], AT_ONCE):
            near = places[first : first + AT_ONCE]
            self._audible += self._audible_in(frames[:, :, near], self._masks.mask[self._at + near])
        self._at += count

    def _audible_in(self, frames: Block, mask: Block) -> int:
        """How many of the frames (2, channels, frames, samples) hold an audible change."""
        found = np.abs(np.fft.rfft(frames * self._window, axis=3).astype(np.complex64))
        found *= self._weight
        mine, other = found
        cross, own = (np.einsum("ckb,ckb->k", a, other) for a in (mine, other))
        gain = np.divide(cross, own, out=np.zeros_like(own), where=own > 0.0)
        other *= gain[:, np.newaxis]
        np.subtract(mine, other, out=other)
        error = np.square(other, out=other) @ self._ear.grouping
        over = (error / mask.transpose(1, 0, 2)).max(axis=(0, 2))
        return int(np.count_nonzero(over > 10.0 ** (AUDIBLE_DB / 10.0)))

    @property
    def share_audible(self) -> float | None:
        """Share of the open version's frames that are not silent; None where all are."""
        frames = int(np.count_nonzero(self._masks.active))
        return self._audible / frames if frames else None
