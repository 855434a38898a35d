"""Coarse search: possible places of one version in the other, to a few milliseconds.

Both are resampled to 6 kHz and their long-term spectra flattened, so equalisation and level hardly matter.
Pieces of 8 s of the shorter version are searched in all of the longer one (cross-correlation by
overlap-save); the result is the places on which pieces agree, with a slow drift from a straight line through
their lags. Nothing is decided here. Sketches are float32 (channels, frames) at RATE; lags are in seconds,
second minus first. Source: cross-correlation as in Knapp and Carter, "The generalized correlation method for
estimation of time delay", IEEE Trans. ASSP 24 (1976), from memory; the voting of the pieces is the project's
own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RATE = 6000
PIECE = 8 * RATE
FFT = 1 << 17
MOST_PIECES = 12
PEAKS_A_PIECE = 24
MOST_PLACES = 8
TOGETHER_S = 0.1
"""Peaks this near are one place: it allows for 300 ppm of drift over five minutes."""
_APART = 120
"""Peaks of one piece are at least this many frames (20 ms) apart."""
_SMOOTH_HZ = 25.0
_LOWEST_HZ, _HIGHEST_HZ = 60.0, 2700.0

Sketch = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CoarsePlace:
    """The second version's time is about first · (1 + drift_ppm · 1e-6) + lag_s."""

    lag_s: float
    drift_ppm: float


@dataclass(frozen=True, slots=True)
class _Peaks:
    """The time of a piece's middle, its lags and their heights, best first."""

    time_s: float
    lags_s: NDArray[np.float64]
    heights: NDArray[np.float64]


def sketch(samples: NDArray[np.floating], rate: int) -> Sketch:
    """The version at RATE, more than two channels averaged to two (even ones, odd ones)."""
    import soxr

    folded = np.asarray(samples, dtype=np.float32)
    if folded.shape[1] > 2:
        folded = np.stack([folded[:, side::2].mean(axis=1) for side in (0, 1)], axis=1)
    small = soxr.resample(np.ascontiguousarray(folded), rate, RATE, quality="MQ")
    return np.ascontiguousarray(small.T, dtype=np.float32)


def places(first: Sketch, second: Sketch) -> list[CoarsePlace]:
    """Up to MOST_PLACES places, best first; none where one of the two is silent."""
    if first.shape[0] != second.shape[0]:
        first, second = (sketch.mean(axis=0, keepdims=True) for sketch in (first, second))
    turned = first.shape[1] > second.shape[1]
    needle, hay = (second, first) if turned else (first, second)
    pieces = list(find_pieces(needle, hay))
    if turned:  # a piece of the second at s was found at s + lag of the first
        pieces = [_Peaks(peaks.time_s, -peaks.lags_s, peaks.heights) for peaks in pieces]
    return _agreed(pieces, turned)


def find_pieces(needle: Sketch, hay: Sketch) -> Iterator[_Peaks]:
    """The peaks of up to MOST_PIECES pieces of the needle in the hay; lags relative to the needle."""
    length = min(PIECE, needle.shape[1])
    margin = length // 2  # to find a piece across either end
    hop = FFT - PIECE
    blocks = max(1, -(-(hay.shape[1] + margin) // hop))
    padded = np.zeros((hay.shape[0], (blocks - 1) * hop + FFT), dtype=np.float32)
    padded[:, margin : margin + hay.shape[1]] = hay
    spectra = [np.fft.rfft(padded[:, k * hop : k * hop + FFT], axis=1) for k in range(blocks)]
    flat = _flattening(sum((np.abs(s) ** 2).sum(axis=0) for s in spectra))
    if flat is None:
        return
    for spectrum in spectra:
        spectrum *= flat
    for start in _piece_starts(needle, length):
        own = np.fft.rfft(needle[:, start : start + length], FFT, axis=1)
        shape = _flattening((np.abs(own) ** 2).sum(axis=0))
        if shape is None:
            continue
        own = np.conj(own * shape)
        wave = np.concatenate([np.fft.irfft((s * own).sum(axis=0), FFT)[:hop] for s in spectra])
        lags, heights = _highest(wave[: hay.shape[1] + margin])
        yield _Peaks((start + length / 2) / RATE, (lags - margin - start) / RATE, heights)


def _flattening(power: NDArray[np.floating]) -> NDArray[np.float32] | None:
    """Factors that roughly flatten a spectrum of this power; None for silence."""
    width = max(1, round(_SMOOTH_HZ * FFT / RATE))
    total = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])
    edges = np.clip(
        np.arange(power.shape[0])[:, np.newaxis] + [-(width // 2), width // 2 + 1], 0, power.shape[0]
    )
    smooth = (total[edges[:, 1]] - total[edges[:, 0]]) / (edges[:, 1] - edges[:, 0])
    if not smooth.max() > 0.0:
        return None
    hz = np.arange(power.shape[0]) * RATE / FFT
    inside = (hz >= _LOWEST_HZ) & (hz <= _HIGHEST_HZ)
    # anything 60 dB below the strongest stays there: it may be noise
    flat = np.where(inside, 1.0 / np.sqrt(np.maximum(smooth, smooth.max() * 1e-6)), 0.0)
    return flat.astype(np.float32)


def _piece_starts(needle: Sketch, length: int) -> list[int]:
    """The loudest piece of each of up to MOST_PIECES equal stretches, half overlapping in short versions."""
    frames = needle.shape[1]
    count = min(MOST_PIECES, max(1, 2 * frames // length - 1))
    squares = (needle * needle).sum(axis=0, dtype=np.float64)
    total = np.concatenate([[0.0], np.cumsum(squares)])
    starts = []
    for index in range(count):
        low = index * frames // count
        if count * length > frames:
            low = index * (frames - length) // max(count - 1, 1)
        high = (index + 1) * frames // count - length
        options = np.arange(low, max(high, low) + 1, RATE)
        energy = total[np.minimum(options + length, frames)] - total[options]
        starts.append(int(options[np.argmax(energy)]))
    return starts


def _highest(wave: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The highest peaks of |wave|, at least _APART apart, to a fraction of a frame; heights relative to
    RMS."""
    size = np.abs(wave)
    rms = float(np.sqrt(np.mean(np.square(size, dtype=np.float64)))) or 1.0
    rows = -(-size.shape[0] // _APART)
    table = np.zeros((rows, _APART), dtype=size.dtype)
    table.reshape(-1)[: size.shape[0]] = size
    tops = table.max(axis=1)
    chosen: list[int] = []
    heights: list[float] = []
    for row in np.argsort(tops)[::-1][: 4 * PEAKS_A_PIECE]:
        at = int(row) * _APART + int(table[row].argmax())
        if all(abs(at - other) >= _APART for other in chosen):
            chosen.append(at)
            heights.append(float(size[at]) / rms)
        if len(chosen) == PEAKS_A_PIECE:
            break
    return np.array([at + _vertex(size, at) for at in chosen]), np.array(heights)


def _vertex(size: NDArray[np.floating], at: int) -> float:
    """Vertex of the parabola through three neighbours, −0.5 to 0.5 from the middle one."""
    if not 0 < at < size.shape[0] - 1:
        return 0.0
    left, top, right = (float(size[at + step]) for step in (-1, 0, 1))
    bend = left - 2.0 * top + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def _agreed(pieces: list[_Peaks], turned: bool) -> list[CoarsePlace]:
    """The lags with the greatest sum of heights over the pieces, each with its line."""
    if not pieces:
        return []
    lags = np.concatenate([peaks.lags_s for peaks in pieces])
    votes = np.zeros(lags.shape[0])
    for peaks in pieces:
        near = np.abs(lags[:, np.newaxis] - peaks.lags_s) <= TOGETHER_S
        votes += np.where(near, peaks.heights, 0.0).max(axis=1)
    order = np.argsort(votes)[::-1]
    centres: list[float] = []
    for index in order:
        lag = float(lags[index])
        if votes[index] < 0.35 * votes[order[0]] or len(centres) == MOST_PLACES:
            break
        if all(abs(lag - other) > TOGETHER_S for other in centres):
            centres.append(lag)
    return [_line(pieces, lag, turned) for lag in centres]


def _line(pieces: list[_Peaks], lag: float, turned: bool) -> CoarsePlace:
    """A straight line through the lags of the pieces near that one."""
    times, lags, weights = [], [], []
    for peaks in pieces:
        close = np.abs(peaks.lags_s - lag) <= TOGETHER_S
        if close.any():
            best = int(np.argmax(np.where(close, peaks.heights, 0.0)))
            lags.append(float(peaks.lags_s[best]))
            times.append(peaks.time_s - (float(peaks.lags_s[best]) if turned else 0.0))
            weights.append(float(peaks.heights[best]))
    t, y, w = np.array(times), np.array(lags), np.array(weights)
    w = np.where(w >= 0.3 * w.max(), w, 0.0)  # a weak match does not locate a piece
    middle = float(np.median(y[w > 0.0]))
    if np.count_nonzero(w) >= 4 and np.ptp(t[w > 0.0]) > 8.0:
        slope, start = np.polyfit(t, y, 1, w=w)
        rest = y - (start + slope * t)
        good = (w > 0.0) & (np.abs(rest) <= 3.0 * np.median(np.abs(rest[w > 0.0])) + 0.1 / RATE)
        if np.count_nonzero(good) >= 4 and np.ptp(t[good]) > 8.0:
            slope, start = np.polyfit(t[good], y[good], 1, w=w[good])
            spread = float(np.std(y[good] - (start + slope * t[good])))
            moved = abs(slope) * float(np.ptp(t[good]))
            # less than a third of a frame, or no clearer than the scatter: not a drift
            if moved > max(0.33 / RATE, 4.0 * spread):
                return CoarsePlace(float(start), float(slope) * 1e6)
    return CoarsePlace(middle, 0.0)
