"""Scan of the samples for what no meter shows: word length, dither, spectrum, edges, channels.

Conventions: blocks float32 (frames, channels), full scale ±1; words are counted in steps of 2^-23 (24 bits).
The verdicts are made elsewhere in this room; here are only figures.
  word       the bitwise OR of all samples as 24-bit integers: its trailing zeros are bits never used
  quiet      per window of 1024 frames the variance of the first difference, in steps of the word used
  dropout    2 to 500 ms of digital zero in one channel, with sound right before and after (limits: common
             practice, no source)
  bass       correlation of the first two channels from 20 to 200 Hz, in the windows of the spectrum
  spectrum   mean power over Hann windows of 4096 frames, spread over the file, all channels together
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.segments import recut

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
MIDDLE_S = 2.0
"""Silence within the music from here on is kept."""
DROPOUT_S, DROPOUT_MOST_S = 0.002, 0.5
BESIDE_S, NEXT_S = 0.010, 0.001
BESIDE_RMS = 10.0 ** (-40.0 / 20.0)
NEXT_SHARE = 0.15
"""Sound beside a dropout: the RMS of 10 ms, and the share that the nearest millisecond has."""
MOST_DROPOUTS = 1000
BASS_HZ = (20.0, 200.0)


@dataclass(frozen=True, slots=True)
class SilentSpan:
    """Where nothing sounds; `channel` is None where that holds for all."""

    at_s: float
    seconds: float
    channel: int | None = None


@dataclass(frozen=True, slots=True)
class Scan:
    """`word_bits` is None where samples are finer than 24 bits (floating point). `undithered_at_s` are
    places where the last bit does not change though the music does; `head_s` and `tail_s` are the silent
    seconds before and after; `head` and `tail` the samples next to the ends (at most a second);
    `channel_energy` the mean squares; `same_channels` says that all channels are equal, bit for bit;
    `silences` the silent seconds in the middle; `bass_correlation` is None where there is no bass."""

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
    silences: tuple[SilentSpan, ...] = ()
    dropouts: tuple[SilentSpan, ...] = ()
    bass_correlation: float | None = None


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
    silences: list[SilentSpan] = []
    dropouts = _Dropouts(sample_rate, channels)
    cross = np.zeros((SPECTRUM_WINDOW // 2 + 1, 3))
    for segment in recut(blocks, channels):
        loud = np.flatnonzero(np.abs(segment).max(axis=1) >= SILENT)
        if loud.shape[0]:
            if first >= 0:
                silences += _silences(np.concatenate([[last - frames], loud]), frames, sample_rate)
            first = frames + int(loud[0]) if first < 0 else first
            last = frames + int(loud[-1])
        if head.shape[0] < edge:
            head = np.concatenate([head, segment[: edge - head.shape[0]]])
        tail = np.concatenate([tail, segment])[-edge:]
        energy += np.einsum("ij,ij->j", segment, segment, dtype=np.float64)
        same = same and bool((segment == segment[:, :1]).all())
        words.add(segment)
        dropouts.add(segment)
        apart = max(segment.shape[0] // SPECTRA_A_SEGMENT, 1)  # the rest of a file may be one frame
        for at in range(0, segment.shape[0] - SPECTRUM_WINDOW + 1, apart):
            piece = segment[at : at + SPECTRUM_WINDOW].T * window
            lines = np.fft.rfft(piece, axis=1)
            spectra += (np.abs(lines) ** 2).sum(axis=0)
            if channels > 1:
                left, right = lines[0], lines[1]
                cross += np.stack([(left * right.conj()).real, np.abs(left) ** 2, np.abs(right) ** 2], axis=1)
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
        silences=tuple(silences),
        dropouts=tuple(dropouts.found),
        bass_correlation=_bass(cross, sample_rate),
    )


def _silences(loud: NDArray[np.int64], position: int, rate: int) -> list[SilentSpan]:
    """The silences between the loud frames of a segment that begins at `position`."""
    quiet = np.diff(loud) - 1
    return [
        SilentSpan((position + int(loud[place]) + 1) / rate, int(quiet[place]) / rate)
        for place in np.flatnonzero(quiet >= MIDDLE_S * rate)
    ]


def _bass(cross: NDArray[np.float64], rate: int) -> float | None:
    low, high = (round(hz * SPECTRUM_WINDOW / rate) for hz in BASS_HZ)
    both, left, right = cross[low : high + 1].sum(axis=0)
    power = float(left * right)
    return float(both) / power**0.5 if power > 1e-12 else None


class _Dropouts:
    """Runs of digital zero in the sound of one channel. A run is judged when 10 ms after it are there."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._beside, self._next = round(BESIDE_S * rate), round(NEXT_S * rate)
        self._least, self._most = round(DROPOUT_S * rate), round(DROPOUT_MOST_S * rate)
        self._before = np.zeros((self._most + 2 * self._beside, channels), np.float32)
        self._position = 0
        self.found: list[SilentSpan] = []

    def add(self, segment: NDArray[np.float32]) -> None:
        window = np.concatenate([self._before, segment])
        old = self._before.shape[0]
        for channel in range(window.shape[1]):
            samples = window[:, channel]
            if not (samples[:: self._least] == 0.0).any():  # no run of that length misses all of them
                continue
            edges = np.flatnonzero(np.diff(np.concatenate([[False], samples == 0.0, [False]])))
            begins, ends = edges[::2], edges[1::2]
            length = ends - begins
            whole = (begins >= self._beside) & (ends + self._beside <= window.shape[0])
            new = ends + self._beside > old
            which = whole & new & (length >= self._least) & (length <= self._most)
            for begin, end in zip(begins[which].tolist(), ends[which].tolist(), strict=True):
                before, after = samples[begin - self._beside : begin], samples[end : end + self._beside]
                if self._sounds(before, before[-self._next :]) and self._sounds(after, after[: self._next]):
                    at_s = (self._position + begin - old) / self._rate
                    self.found.append(SilentSpan(at_s, (end - begin) / self._rate, channel))
        self.found = self.found[:MOST_DROPOUTS]
        self._before = window[-old:]
        self._position += segment.shape[0]

    def _sounds(self, beside: NDArray[np.float32], nearest: NDArray[np.float32]) -> bool:
        whole, near = (float(np.dot(part, part)) / part.shape[0] for part in (beside, nearest))
        return bool(whole >= BESIDE_RMS**2 and near >= NEXT_SHARE**2 * whole)


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
