"""The synthetic signals of EBU Tech 3341 Table 1 (January 2016; November 2023 is the same table) and EBU
Tech 3342 Table 1, made from the tables' descriptions; the EBU's own WAV files are not shipped.

Expected values and tolerances are the tables'; `computed` beside the loudness cases is what another
float64 meter (numpy, 48 kHz) reads on the same ideal tones.
For cases 20 to 23 the table leaves splice, low-pass and fades open; the recipe here gives the sample peaks
that the official files are published to have (−0.1, −0.5, −2.5, −0.5 dBFS).
Signals: float64 (frames, channels).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, oaconvolve
from support.signals import Samples, both, faded, frames_of, tones

Pieces = Sequence[tuple[float | None, float]]

INTEGRATED: dict[int, tuple[Pieces, float, float]] = {
    # case: pieces (dBFS, s), expected LUFS ±0.1, computed
    1: ([(-23.0, 20.0)], -23.0, -22.9933),
    2: ([(-33.0, 20.0)], -33.0, -32.9933),
    3: ([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0, -23.0139),
    4: (
        [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)],
        -23.0,
        -23.0139,
    ),
    5: ([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0, -22.9787),
}
CASE_6_LEVELS_DBFS = (-28.0, -28.0, -24.0, -30.0, -30.0)
CASE_6_COMPUTED = -23.0163
LOUDNESS_TOLERANCE_LU = 0.1

RANGE: dict[int, tuple[Pieces, float, float]] = {
    # Tech 3342 case: pieces, expected LU ±1, what libebur128's own test reads on the official WAV
    1: ([(-20.0, 20.0), (-30.0, 20.0)], 10.0, 10.0011),
    2: ([(-20.0, 20.0), (-15.0, 20.0)], 5.0, 4.9994),
    3: ([(-40.0, 20.0), (-20.0, 20.0)], 20.0, 19.9951),
    4: ([(-50.0, 20.0), (-35.0, 20.0), (-20.0, 20.0), (-35.0, 20.0), (-50.0, 20.0)], 15.0, 14.9993),
}


@dataclass(frozen=True)
class PeakCase:
    """A steady sine of cases 15 to 19."""

    samples_per_period: int
    amplitude: float
    phase_degrees: float
    expected_dbtp: float
    sample_peak_dbfs: float


STEADY_PEAKS: dict[int, PeakCase] = {
    15: PeakCase(4, 0.50, 0.0, -6.0, -6.02),
    16: PeakCase(4, 0.50, 45.0, -6.0, -9.03),
    17: PeakCase(6, 0.50, 60.0, -6.0, -7.27),
    18: PeakCase(8, 0.50, 67.5, -6.0, -6.71),
    19: PeakCase(4, 1.41, 45.0, 3.0, -0.03),
}
BURST_PEAKS: dict[int, tuple[float, float]] = {
    # case: expected dBTP, sample peak in dBFS
    20: (0.0, -0.128),
    21: (0.0, -0.457),
    22: (0.0, -2.497),
    23: (0.0, -0.457),
}
PEAK_TOLERANCE_DB = (-0.4, 0.2)


def integrated_case(case: int, sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 cases 1 to 6."""
    if case == 6:
        tone = tones([(0.0, 20.0)], sample_rate)
        return tone[:, np.newaxis] * 10.0 ** (np.array(CASE_6_LEVELS_DBFS) / 20.0)
    return both(tones(INTEGRATED[case][0], sample_rate))


def steady_short_term(sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 case 9."""
    return both(tones([(-20.0, 1.34), (-30.0, 1.66)] * 5, sample_rate))


def steady_momentary(sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 case 12."""
    return both(tones([(-20.0, 0.18), (-30.0, 0.22)] * 25, sample_rate))


def short_term_segment(index: int, sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 case 10, segment 0 to 19."""
    return both(tones([(None, 0.15 * index), (-23.0, 3.0), (None, 1.0)], sample_rate))


def momentary_segment(index: int, sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 case 13, segment 0 to 19."""
    return both(tones([(None, 0.02 * index), (-23.0, 0.4), (None, 1.0)], sample_rate))


def short_term_steps(sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 case 11: 20 tones, 6 s each, −38 to −19."""
    pieces: list[tuple[float | None, float]] = []
    for i in range(20):
        pieces += [(None, 0.15 * i), (-38.0 + i, 3.0), (None, 3.0 - 0.15 * i)]
    return both(tones(pieces, sample_rate))


def momentary_steps(sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 case 14: 20 tones, 0.8 s each, −38 to −19."""
    pieces: list[tuple[float | None, float]] = []
    for i in range(20):
        pieces += [(None, 0.02 * i), (-38.0 + i, 0.4), (None, 0.4 - 0.02 * i)]
    return both(tones(pieces, sample_rate))


def steady_peak(case: int, sample_rate: int, seconds: float = 0.5) -> NDArray[np.floating]:
    """Tech 3341 cases 15 to 19; the 10 ms fades that the table states for 15 are on all of them, since a
    hard start makes an overshoot of its own."""
    this = STEADY_PEAKS[case]
    n = np.arange(frames_of(seconds, sample_rate))
    wave = this.amplitude * np.sin(2.0 * np.pi * n / this.samples_per_period + np.radians(this.phase_degrees))
    return both(faded(wave, sample_rate))


def burst_peak(case: int, sample_rate: int) -> NDArray[np.floating]:
    """Tech 3341 cases 20 to 23: one period at fs/4 and full scale within a half-scale sine at fs/6, made
    at 4·fs, low-passed, and every fourth sample taken from the offset on."""
    fast = 4 * sample_rate
    periods = frames_of(0.1, fast) // 24
    carrier: Samples = 0.5 * np.sin(2.0 * np.pi * np.arange(24 * periods) / 24)
    burst = np.sin(2.0 * np.pi * np.arange(16) / 16)
    wave = faded(np.concatenate([carrier, burst, carrier]), fast)
    low_passed = oaconvolve(wave, firwin(1023, 0.25), mode="full")[511 : 511 + wave.shape[0]]
    return both(low_passed[case - 20 :: 4])


def range_case(case: int, sample_rate: int) -> NDArray[np.floating]:
    """Tech 3342 cases 1 to 4."""
    return both(tones(RANGE[case][0], sample_rate))
