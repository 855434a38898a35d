"""Interpolation between samples: the wave's peaks, and a version read at fractional positions.

A band-limited wave is the sum of sinc pulses at its samples; the kernels are sinc pulses under a Kaiser
window, whose phase 0 is the sample itself, exactly:
- the *screen* (24 taps a phase, ripple below 0.07 dB up to 0.45 fs) reads everywhere, at half or quarter
  samples, as one matrix product over rows of ROW samples; positions are in quarter samples;
- the *fine* kernel (32×, 81 taps, stop band below −90 dB, flat to 0.46 fs) reads around every high point;
- the *delay* (±HALF frames) is flat to 0.499 fs, errors below −95 dB; whole frames are copied, bit for bit.
The under-reading that the fine kernel cures: ITU-R BS.1770-5 Annex 2, attachment 1:
20·log10(cos(π·f/(n·fs))), at 0.45 fs 0.554 dB for n = 4 and 0.009 dB for n = 32. Samples are (frames,
channels); `read` gives float32 (channels, count), zero outside the version.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

ROW = 32
SHORT_ROW = 16
"""Rows of `TwoLooks`: the shorter they are, the fewer samples need the second look."""
SCREEN = 4
FINE = 32
NEAR = FINE // SCREEN + 1
"""Fine positions from an eighth of a sample before a quarter sample to an eighth after it."""
HALF_SCREEN = 12
SHORT_WINDOW = SHORT_ROW + 2 * HALF_SCREEN - 1
APART = 3
"""Windows of SHORT_WINDOW samples do not overlap where they start this many rows apart."""
HALF_FINE = 40
REACH = 48
"""Samples needed on either side of a position; a multiple of 16 above HALF_FINE."""

_SCREEN_BETA = 3.4
_FINE_BETA = 9.3
SCREEN_MARGIN = np.float32(10.0 ** (-0.8 / 20.0))
"""4× under-reads by up to 0.69 dB at half the sampling rate, and the screen ripples by 0.07 dB."""


def kernel(offset: NDArray[np.float64], half: int, beta: float) -> NDArray[np.float64]:
    """The windowed sinc at `offset` samples from its centre; zero beyond `half`."""
    inside = np.abs(offset) < half
    shape = np.sqrt(np.maximum(0.0, 1.0 - (offset / half) ** 2))
    return np.where(inside, np.sinc(offset) * np.i0(beta * shape) / np.i0(beta), 0.0)


@lru_cache(maxsize=2)
def screen_matrix(row: int = ROW) -> NDArray[np.float32]:
    """(SCREEN·row, row + 2·HALF_SCREEN − 1): line 4·i + j gives the wave j/4 after sample i of a row.
    The input column starts HALF_SCREEN − 1 samples before the row. The lines of j = 0 are the samples."""
    position = np.arange(SCREEN * row)[:, np.newaxis] / SCREEN
    source = np.arange(row + 2 * HALF_SCREEN - 1)[np.newaxis, :] - (HALF_SCREEN - 1)
    return kernel(position - source, HALF_SCREEN, _SCREEN_BETA).astype(np.float32)


@lru_cache(maxsize=1)
def fine_matrix() -> NDArray[np.float32]:
    """(2·HALF_FINE + 1, SCREEN·NEAR): columns NEAR·j to NEAR·j + 8 weigh the samples n − HALF_FINE to
    n + HALF_FINE to give the wave at −4/32 … +4/32 from the position j/4 after sample n. The middle column
    of j = 0 is the sample itself."""
    step = np.arange(NEAR) / FINE - (NEAR // 2) / FINE
    position = (np.arange(SCREEN)[:, np.newaxis] / SCREEN + step).reshape(1, -1)
    source = np.arange(-HALF_FINE, HALF_FINE + 1)[:, np.newaxis]
    return kernel(position - source, HALF_FINE, _FINE_BETA).astype(np.float32)


@lru_cache(maxsize=1)
def half_matrix() -> NDArray[np.float32]:
    """(SHORT_ROW, SHORT_ROW + 2·HALF_SCREEN − 1): the lines at half samples."""
    return np.ascontiguousarray(screen_matrix(SHORT_ROW)[SCREEN // 2 :: SCREEN])


class Screen:
    """Reads the wave at quarter samples. Keeps its working memory: fresh pages for every segment would cost
    more time than the product itself."""

    def __init__(self) -> None:
        self._columns = np.zeros((0, ROW + 2 * HALF_SCREEN - 1), dtype=np.float32)
        self._wave = np.zeros((SCREEN * ROW, 0), dtype=np.float32)

    def look(
        self, samples: NDArray[np.float32], start: int, rows: int, chosen: NDArray[np.int64] | None = None
    ) -> NDArray[np.float32]:
        """Magnitude of the wave (SCREEN·ROW, rows), valid until the next call: line 4·i + j of column r is
        j/4 after sample i of row r, which starts at sample start + r·ROW. `samples` must extend REACH beyond
        the rows on both sides. With `chosen`, the columns are those rows alone."""
        if chosen is not None:
            first = start - (HALF_SCREEN - 1)
            columns = _windows(samples[first:], rows, self._columns.shape[1], ROW)[chosen]
            wave: NDArray[np.float32] = screen_matrix() @ columns.T
            return np.abs(wave, out=wave)
        if self._wave.shape[1] != rows:
            self._columns = np.zeros((rows, self._columns.shape[1]), dtype=np.float32)
            self._wave = np.zeros((SCREEN * ROW, rows), dtype=np.float32)
        first = start - (HALF_SCREEN - 1)
        windows = _windows(samples[first:], rows, self._columns.shape[1], ROW)
        np.copyto(self._columns, windows)
        np.matmul(screen_matrix(), self._columns.T, out=self._wave)
        return np.abs(self._wave, out=self._wave)


class TwoLooks:
    """The same in rows of SHORT_ROW: first at samples and half samples everywhere, then at quarter samples in
    selected rows. A matrix product takes no overlapping lines, and windows of every third row do not overlap:
    so there are three products, none of which needs a copy of the samples."""

    def __init__(self) -> None:
        self._wave = np.zeros((APART, SHORT_ROW, 0), dtype=np.float32)
        self._greatest = np.zeros((0, APART), dtype=np.float32)
        self._running = np.zeros((2, 0), dtype=np.float32)
        self._seen = np.zeros((0, SHORT_WINDOW), dtype=np.float32)

    def look(self, samples: NDArray[np.float32], start: int, rows: int) -> NDArray[np.float32]:
        """Greatest magnitude of each row at samples and half samples, including the sample after it (rows,).
        Arguments as in `Screen.look`."""
        thirds = -(-rows // APART)
        if self._wave.shape[2] != thirds:
            self._wave = np.zeros((APART, SHORT_ROW, thirds), dtype=np.float32)
            self._greatest = np.zeros((thirds, APART), dtype=np.float32)
        self._seen = _windows(samples[start - (HALF_SCREEN - 1) :], rows, SHORT_WINDOW, SHORT_ROW)
        for first in range(min(APART, rows)):
            every_third = self._seen[first::APART]
            wave = self._wave[first, :, : every_third.shape[0]]
            np.matmul(half_matrix(), every_third.T, out=wave)
            np.maximum.reduce(np.abs(wave, out=wave), axis=0, out=self._greatest[: wave.shape[1], first])
        greatest = self._at_samples(samples[start : start + rows * SHORT_ROW + 1], rows)
        return np.maximum(greatest, self._greatest.reshape(-1)[:rows], out=greatest)

    def _at_samples(self, samples: NDArray[np.float32], rows: int) -> NDArray[np.float32]:
        """Greatest magnitude of the SHORT_ROW + 1 samples from the start of each row (rows,), by running
        maxima over 2, 4 and 8: numpy is slow over short rows."""
        if self._running.shape[1] != samples.shape[0]:
            self._running = np.zeros((2, samples.shape[0]), dtype=np.float32)
        run, other, left = self._running[0], self._running[1], samples.shape[0]
        np.abs(samples, out=run)
        after: NDArray[np.float32] = run[SHORT_ROW::SHORT_ROW].copy()
        for width in (1, 2, 4):
            left -= width
            np.maximum(run[:left], run[width : left + width], out=other[:left])
            run, other = other, run
        half = SHORT_ROW // 2
        end = rows * SHORT_ROW
        for part in (run[:end:SHORT_ROW], run[half:end:SHORT_ROW]):
            np.maximum(after, part, out=after)
        return after

    def look_closer(self, chosen: NDArray[np.int64]) -> NDArray[np.float32]:
        """Magnitude of the wave at quarter samples (SCREEN·SHORT_ROW, chosen) in some rows of the last
        look."""
        wave: NDArray[np.float32] = screen_matrix(SHORT_ROW) @ self._seen[chosen].T
        return np.abs(wave, out=wave)


def local_maxima(wave: NDArray[np.float32], cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Those of the flat `cells` of `wave` (lines, rows) that no neighbour in their row exceeds."""
    flat, rows = wave.ravel(), wave.shape[1]
    height = flat[cells]
    below = flat[np.maximum(cells - rows, cells % rows)]  # the first line is its own neighbour
    above = flat[np.where(cells + rows < flat.shape[0], cells + rows, cells)]
    local: NDArray[np.int64] = cells[(height >= below) & (height >= above)]
    return local


def peaks_near(samples: NDArray[np.float32], quarters: NDArray[np.int64]) -> NDArray[np.float32]:
    """Greatest magnitude within an eighth of a sample of each position (positions,), read at 32×. `quarters`
    are positions in `samples` in quarter samples, at least REACH from either end."""
    peaks = np.empty(quarters.shape[0], dtype=np.float32)
    around = _windows(samples, samples.shape[0] - 2 * HALF_FINE, 2 * HALF_FINE + 1, 1)
    for first in range(0, quarters.shape[0], 2048):  # limits memory in dense material
        part = quarters[first : first + 2048]
        wave = around[part // SCREEN - HALF_FINE] @ fine_matrix()
        near = wave.reshape(-1, SCREEN, NEAR)[np.arange(part.shape[0]), part % SCREEN]
        peaks[first : first + 2048] = np.abs(near).max(axis=1)
    return peaks


def _windows(samples: NDArray[np.float32], count: int, length: int, hop: int) -> NDArray[np.float32]:
    """`count` views of `length` samples, `hop` apart (count, length). Raises beyond the end of `samples`."""
    size = samples.itemsize
    return np.ndarray((count, length), np.float32, np.ascontiguousarray(samples), 0, (hop * size, size))


HALF = 2048
_BETA = 9.5

Block = NDArray[np.float32]


def read(samples: NDArray[np.floating], position: float, count: int) -> Block:
    """`count` frames from `position` on (channels, count), interpolated at a fractional position."""
    whole = math.floor(position)
    fraction = position - whole
    if fraction == 0.0:
        return _cut(samples, whole, count)
    around = _cut(samples, whole - HALF, count + 2 * HALF)
    size = around.shape[1]
    spectrum = np.fft.rfft(around, axis=1)
    spectrum *= _response(fraction, size)
    shifted = np.fft.irfft(spectrum, size, axis=1)[:, HALF : HALF + count]
    return np.ascontiguousarray(shifted, dtype=np.float32)


def _cut(samples: NDArray[np.floating], start: int, count: int) -> Block:
    """A copy (channels, count), zeros before the first frame and after the last."""
    frames, channels = samples.shape
    first, last = min(max(start, 0), frames), min(max(start + count, 0), frames)
    out = np.zeros((channels, count), dtype=np.float32)
    if last > first:
        out[:, first - start : last - start] = samples[first:last].T
    return out


@lru_cache(maxsize=8)
def _response(fraction: float, size: int) -> NDArray[np.complex64]:
    """Spectrum of the pulse that advances a block by `fraction` of a frame (circular, `size` frames)."""
    taps = np.zeros(size)
    step = np.arange(-HALF + 1, HALF, dtype=np.int64)
    # y[n] = Σ x[n + m]·pulse(m − fraction): as a circular filter the tap of x[n + m] lies at −m
    taps[(-step) % size] = kernel(step.astype(np.float64) - fraction, HALF, _BETA)
    response: NDArray[np.complex64] = np.fft.rfft(taps).astype(np.complex64)
    return response
