"""Power in each band, from overlapping frames whose powers add up to the whole.

Half-overlapping frames of about 0.09 s under a sine window: the squared windows sum to one, so the powers of
all bins sum to the power of the signal (Parseval), and a band is a set of bins: a filter without phase.
Signals are float32 (signals, channels, frames); powers are sums of squares over all frames.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

BANDS: tuple[tuple[str, float, float | None], ...] = (
    ("below 150 Hz", 0.0, 150.0),
    ("150 to 800 Hz", 150.0, 800.0),
    ("800 Hz to 4 kHz", 800.0, 4000.0),
    ("above 4 kHz", 4000.0, None),
)

Spectra = NDArray[np.complex64]


def frame_of(seconds: float, sample_rate: int) -> int:
    """The power of two nearest to that many seconds, at least 64."""
    return 1 << max(6, round(float(np.log2(seconds * sample_rate))))


def frame_size(sample_rate: int) -> int:
    """A power of two of about 0.09 s: 4096 at 44.1 and 48 kHz."""
    return frame_of(0.093, sample_rate)


def sine_window(sample_rate: int) -> NDArray[np.float32]:
    """The window of `frame_size`."""
    size = frame_size(sample_rate)
    return np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(np.float32)


def bin_hz(sample_rate: int) -> NDArray[np.float64]:
    """The frequency of each bin."""
    size = frame_size(sample_rate)
    return np.asarray(np.arange(size // 2 + 1, dtype=np.float64) * (sample_rate / size))


def inside(sample_rate: int, low_hz: float, high_hz: float | None) -> NDArray[np.bool_]:
    """The bins of a band: low ≤ f < high."""
    hz = bin_hz(sample_rate)
    return np.asarray((hz >= low_hz) & (hz < (np.inf if high_hz is None else high_hz)))


def bin_weights(sample_rate: int) -> NDArray[np.float64]:
    """Weight of each bin's squared magnitude in the power: one-sided spectra, so every bin but the first and
    the last counts twice."""
    size = frame_size(sample_rate)
    weights = np.full(size // 2 + 1, 2.0 / size)
    weights[[0, -1]] = 1.0 / size
    return weights


class Frames:
    """Spectra of a stream of blocks (*lead, frames), from half-overlapping frames under `window`; the first
    one is centred on the first sample."""

    def __init__(self, window: NDArray[np.float32] | NDArray[np.float64], *lead: int) -> None:
        self._window, self._hop = window, window.shape[0] // 2
        self._held = np.zeros((*lead, self._hop), dtype=np.float32)

    def push(self, block: NDArray[np.float32]) -> Iterator[Spectra]:
        """Spectra (*lead, frames, bins) of the frames that this block completes."""
        joined = np.concatenate([self._held, block], axis=-1)
        count = joined.shape[-1] // self._hop - 1
        if count > 0:
            frames = np.lib.stride_tricks.sliding_window_view(joined, 2 * self._hop, axis=-1)
            spectra = np.fft.rfft(frames[..., :: self._hop, :] * self._window, axis=-1)
            yield spectra.astype(np.complex64, copy=False)
        self._held = joined[..., max(count, 0) * self._hop :].copy()

    def finish(self) -> Iterator[Spectra]:
        """Spectra of the rest, padded with silence."""
        rest = self._held.shape[-1]
        whole = -(-rest // self._hop) * self._hop + self._hop
        yield from self.push(np.zeros((*self._held.shape[:-1], whole - rest), dtype=np.float32))
