"""What does a pass over the samples show that no meter does? Word length, dither, spectrum, edges, channels.

Conventions: blocks float32 (frames, channels), full scale ±1; words are counted in steps of 2^-23 (24 bits).
The verdicts are made elsewhere in this room; here are only figures.
  word       the bitwise OR of all samples as 24-bit integers: its trailing zeros are bits never used
  quiet      per window of 1024 frames the variance of the first difference, in steps of the word used
  spectrum   mean power over Hann windows of 4096 frames, spread over the file, all channels together
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.measure.segments import recut

WORD = 24
QUIET_WINDOW = 1024
SPECTRUM_WINDOW = 4096
SPECTRA_A_SEGMENT = 4
EDGE_SECONDS = 1.0
SILENT = 10.0 ** (-80.0 / 20.0)
"""What stays below −80 dBFS counts as silence (common practice, no source)."""
DITHERED_VARIANCE = 0.25
"""Of the first difference, in steps squared. Rounding with triangular dither leaves 0.5 at least (two
independent errors of 1/4); narrower dither lets the noise come and go with the music, as none at all does."""
UNDITHERED_RUN = 3


@dataclass(frozen=True, slots=True)
class Scan:
    """`word_bits` is None where samples are finer than 24 bits (floating point). `undithered_at_s` are
    places where the last bit stands still though the music does not; `head_s` and `tail_s` are the silent
    seconds before and after; `head` and `tail` the samples next to the ends (at most a second);
    `channel_energy` the mean squares; `same_channels` says that all channels are equal, bit for bit."""

    sample_rate: int
    frames: int
    word_bits: int | None
    undithered_at_s: tuple[float, ...]
    spectrum: NDArray[np.float64]
    head_s: float
    tail_s: float
    head: NDArray[np.float32]
    tail: NDArray[np.float32]
    channel_energy: tuple[float, ...]
    same_channels: bool


def scan(blocks: Iterable[NDArray[np.floating]], sample_rate: int, channels: int) -> Scan:
    """Scans a stream. Raises ValueError for a block of another width."""
    edge = round(EDGE_SECONDS * sample_rate)
    words = _Words(sample_rate)
    spectra = np.zeros(SPECTRUM_WINDOW // 2 + 1)
    window = np.hanning(SPECTRUM_WINDOW)
    count = frames = 0
    first = last = -1
    head = np.zeros((0, channels), dtype=np.float32)
    tail = np.zeros((0, channels), dtype=np.float32)
    energy = np.zeros(channels)
    same = channels > 1
    for segment in recut(blocks, channels):
        loud = np.flatnonzero(np.abs(segment).max(axis=1) >= SILENT)
        if loud.shape[0]:
            first = frames + int(loud[0]) if first < 0 else first
            last = frames + int(loud[-1])
        if head.shape[0] < edge:
            head = np.concatenate([head, segment[: edge - head.shape[0]]])
        tail = np.concatenate([tail, segment])[-edge:]
        energy += np.einsum("ij,ij->j", segment, segment, dtype=np.float64)
        same = same and bool((segment == segment[:, :1]).all())
        words.add(segment)
        apart = max(segment.shape[0] // SPECTRA_A_SEGMENT, 1)  # the rest of a file may be one frame
        for at in range(0, segment.shape[0] - SPECTRUM_WINDOW + 1, apart):
            piece = segment[at : at + SPECTRUM_WINDOW].T * window
            spectra += (np.abs(np.fft.rfft(piece, axis=1)) ** 2).sum(axis=0)
            count += 1
        frames += segment.shape[0]
    silent = first < 0
    return Scan(
        sample_rate=sample_rate,
        frames=frames,
        word_bits=words.bits(),
        undithered_at_s=words.undithered_at_s(),
        spectrum=spectra / max(count, 1),
        head_s=(frames if silent else first) / sample_rate,
        tail_s=(frames if silent else frames - 1 - last) / sample_rate,
        head=head,
        tail=tail,
        channel_energy=tuple(float(one) / max(frames, 1) for one in energy),
        same_channels=same,
    )


class _Words:
    """The bits used, and the quiet windows, of all channels."""

    def __init__(self, sample_rate: int) -> None:
        self._rate, self._position = sample_rate, 0
        self._used, self._whole = 0, True
        self._variances: list[NDArray[np.float32]] = []
        self._at: list[int] = []

    def add(self, segment: NDArray[np.float32]) -> None:
        if self._whole:
            steps = segment * np.float32(2.0 ** (WORD - 1))
            if float(np.abs(steps).max()) < 2.0**31:
                words = steps.astype(np.int64)
                self._whole = bool((words == steps).all())
                self._used |= int(np.bitwise_or.reduce(words, axis=None))
            else:
                self._whole = False
        windows = segment.shape[0] // QUIET_WINDOW
        if windows:
            cut = segment[: windows * QUIET_WINDOW].reshape(windows, QUIET_WINDOW, -1)
            # in steps of 24 bits, so that the word used can be put in afterwards
            difference = np.diff(cut, axis=1) * np.float32(2.0 ** (WORD - 1))
            self._variances.append(difference.var(axis=1))
            self._at.append(self._position)
        self._position += segment.shape[0]

    def bits(self) -> int | None:
        if not self._whole:
            return None
        if not self._used:
            return 0
        zeros = (self._used & -self._used).bit_length() - 1
        return max(WORD - zeros, 1)

    def undithered_at_s(self) -> tuple[float, ...]:
        """Where three windows in a row change by less than any dither would, yet do change."""
        bits = self.bits()
        if bits is None or not bits or not self._variances:
            return ()
        step = 2.0 ** (WORD - bits)
        places = []
        for position, variances in zip(self._at, self._variances, strict=True):
            low = (variances > 0.0) & (variances < DITHERED_VARIANCE * step * step)
            run = low[:-2] & low[1:-1] & low[2:] if low.shape[0] >= UNDITHERED_RUN else low[:0]
            where = np.flatnonzero(run.any(axis=1))
            if where.shape[0]:
                places.append((position + int(where[0]) * QUIET_WINDOW) / self._rate)
        return tuple(places)
