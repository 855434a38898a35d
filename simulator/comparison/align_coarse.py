"""Coarse search: places at which one version may lie in the other, to a few thousandths of a second.

Both are brought to 6 kHz and their long spectra flattened, so that equalising and level hardly matter.
Pieces of 8 s of the shorter one are looked for in the whole of the longer one (cross-correlation by
overlap-save); places on which the pieces agree are the answer, and a straight line through where each
piece was found gives a slow drift. Nothing is decided here.
Conventions: sketches float32 (channels, frames) at RATE; lags in seconds, second minus first.
Source: cross-correlation as in Knapp and Carter, "The generalized correlation method for estimation of time
delay", IEEE Trans. ASSP 24 (1976), from memory; the voting of the pieces is the project's own.
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
"""Peaks this near are one place: it allows for 300 millionths of drift over five minutes."""
_APART = 120
"""Peaks of one piece are at least this many frames (20 ms) apart."""
_SMOOTH_HZ = 25.0
_LOWEST_HZ, _HIGHEST_HZ = 60.0, 2700.0

Sketch = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CoarsePlace:
    """The second version's time is about first · (1 + drift_ppm · 1e-6) + lag_s. `votes`: the sum over the
    pieces of the correlation there, in multiples of its RMS."""

    lag_s: float
    drift_ppm: float
    votes: float


@dataclass(frozen=True, slots=True)
class _Peaks:
    """Where one piece was found: its middle's time, the lags and their heights, best first."""

    time_s: float
    lags_s: NDArray[np.float64]
    heights: NDArray[np.float64]


def sketch(samples: NDArray[np.floating], rate: int) -> Sketch:
    """The version at RATE with at most two channels (more are folded: even ones, odd ones)."""
    import soxr

    folded = np.asarray(samples, dtype=np.float32)
    if folded.shape[1] > 2:
        folded = np.stack([folded[:, side::2].mean(axis=1) for side in (0, 1)], axis=1)
    small = soxr.resample(np.ascontiguousarray(folded), rate, RATE, quality="MQ")
    return np.ascontiguousarray(small.T, dtype=np.float32)


def places(first: Sketch, second: Sketch) -> list[CoarsePlace]:
    """At most MOST_PLACES places, most votes first; none where one of the two is silent."""
    if first.shape[0] != second.shape[0]:
        first, second = (one.mean(axis=0, keepdims=True) for one in (first, second))
    turned = first.shape[1] > second.shape[1]
    needle, hay = (second, first) if turned else (first, second)
    found = list(find_pieces(needle, hay))
    if turned:  # a piece of the second at s was found at s + lag of the first
        found = [_Peaks(peaks.time_s, -peaks.lags_s, peaks.heights) for peaks in found]
    return _agreed(found, turned)


def find_pieces(needle: Sketch, hay: Sketch) -> Iterator[_Peaks]:
    """Where each of up to MOST_PIECES pieces of one was found in the other; lags from the needle on."""
    length = min(PIECE, needle.shape[1])
    margin = length // 2  # so that a piece that hangs over either end is found too
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
        places, heights = _highest(wave[: hay.shape[1] + margin])
        yield _Peaks((start + length / 2) / RATE, (places - margin - start) / RATE, heights)


def _flattening(power: NDArray[np.floating]) -> NDArray[np.float32] | None:
    """What makes a spectrum of this power flat in the rough; None for silence."""
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
    # what lies 60 dB under the strongest is left there: it may be no more than noise
    flat = np.where(inside, 1.0 / np.sqrt(np.maximum(smooth, smooth.max() * 1e-6)), 0.0)
    return flat.astype(np.float32)


def _piece_starts(needle: Sketch, length: int) -> list[int]:
    """The loudest piece of each of up to MOST_PIECES equal stretches."""
    frames = needle.shape[1]
    count = min(MOST_PIECES, max(1, 2 * frames // length - 1))  # half overlapping in short ones
    step = RATE
    squares = (needle * needle).sum(axis=0, dtype=np.float64)
    total = np.concatenate([[0.0], np.cumsum(squares)])
    starts = []
    for index in range(count):
        low = (
            index * (frames - length) // max(count - 1, 1)
            if count * length > frames
            else index * frames // count
        )
        high = (index + 1) * frames // count - length
        options = np.arange(low, max(high, low) + 1, step)
        energy = total[np.minimum(options + length, frames)] - total[options]
        starts.append(int(options[np.argmax(energy)]))
    return starts


def _highest(wave: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The highest places of |wave|, at least _APART apart, to a fraction of a frame; heights in RMS."""
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
    """Where the parabola through three neighbours has its top, −0.5 to 0.5 from the middle one."""
    if not 0 < at < size.shape[0] - 1:
        return 0.0
    left, top, right = (float(size[at + step]) for step in (-1, 0, 1))
    bend = left - 2.0 * top + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def _agreed(found: list[_Peaks], turned: bool) -> list[CoarsePlace]:
    """The lags with most votes, each with its line."""
    if not found:
        return []
    hypotheses = np.concatenate([peaks.lags_s for peaks in found])
    near = [np.abs(hypotheses[:, np.newaxis] - peaks.lags_s) <= TOGETHER_S for peaks in found]
    each = np.stack(
        [np.where(close, peaks.heights, 0.0).max(axis=1) for close, peaks in zip(near, found, strict=True)]
    )
    votes = each.sum(axis=0)
    order = np.argsort(votes)[::-1]
    taken: list[CoarsePlace] = []
    centres: list[float] = []
    for index in order:
        lag = float(hypotheses[index])
        if votes[index] < 0.35 * votes[order[0]] or len(taken) == MOST_PLACES:
            break
        if all(abs(lag - other) > TOGETHER_S for other in centres):
            centres.append(lag)
            taken.append(_line(found, lag, float(votes[index]), turned))
    return taken


def _line(found: list[_Peaks], lag: float, votes: float, turned: bool) -> CoarsePlace:
    """A straight line through where the pieces were found near that lag."""
    times, lags, weights = [], [], []
    for peaks in found:
        close = np.abs(peaks.lags_s - lag) <= TOGETHER_S
        if close.any():
            best = int(np.argmax(np.where(close, peaks.heights, 0.0)))
            lags.append(float(peaks.lags_s[best]))
            times.append(peaks.time_s - (float(peaks.lags_s[best]) if turned else 0.0))
            weights.append(float(peaks.heights[best]))
    t, y, w = np.array(times), np.array(lags), np.array(weights)
    w = np.where(w >= 0.3 * w.max(), w, 0.0)  # a piece that was hardly found says nothing about where
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
                return CoarsePlace(float(start), float(slope) * 1e6, votes)
    return CoarsePlace(middle, 0.0, votes)
