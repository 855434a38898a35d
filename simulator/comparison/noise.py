"""Steady noise under the music: a loop without a seam, and its mixing.

The noise bed is float32 (frames, channels), its channels independent; it is periodic and repeats without a
seam; its loudness is that of ITU-R BS.1770-5 over all of it. The same seed of the generator gives the same
bed. "pink" has equal power in every octave from 20 Hz to 20 kHz; "car" is pink noise under a second-order
low-pass at 150 Hz (−12 dB an octave above it): roughly the noise inside a car (project choice: no standard
gives it).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.metering.meter import measure_array

NoiseKind = Literal["pink", "car"]
SECONDS = 20.0
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
CAR_CORNER_HZ = 150.0
Audio = NDArray[np.float32]


def noise_bed(
    chance: np.random.Generator,
    kind: NoiseKind,
    loudness_lufs: float,
    sample_rate: int,
    channels: int,
    seconds: float = SECONDS,
) -> Audio:
    """A bed of that loudness, (frames, channels)."""
    frames = round(seconds * sample_rate)
    frequency = np.fft.rfftfreq(frames, 1.0 / sample_rate)
    inside = (frequency >= LOWEST_HZ) & (frequency <= HIGHEST_HZ)
    size = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency, LOWEST_HZ)), 0.0)
    if kind == "car":
        size = size / np.sqrt(1.0 + (frequency / CAR_CORNER_HZ) ** 4)
    bed = np.empty((frames, channels), dtype=np.float32)
    for channel in range(channels):
        parts = chance.standard_normal((2, frequency.shape[0]))
        wave = np.fft.irfft((parts[0] + 1j * parts[1]) * size, frames)
        bed[:, channel] = wave / np.sqrt(np.mean(wave * wave))
    bed *= np.float32(0.1)
    found = measure_array(bed, sample_rate).integrated_lufs
    if found is None:
        raise ValueError(f"noise of {seconds} s has no loudness")
    return bed * np.float32(db_to_gain(loudness_lufs - found))


def laid_under(blocks: Iterable[Audio], bed: Audio, trim_db: float = 0.0) -> Iterator[Audio]:
    """The stream (frames, channels) with the bed repeated under it from its first frame, and the same trim on
    both."""
    gain, position = np.float32(db_to_gain(trim_db)), 0
    for block in blocks:
        at = (np.arange(block.shape[0]) + position) % bed.shape[0]
        position += block.shape[0]
        yield (block + bed[at]) * gain


def common_trim_db(highest_music: float, bed: Audio, ceiling_db: float = -1.0) -> float:
    """The trim (0 dB or less) for music of that linear peak and the bed, so that no sample of the sum can
    exceed the ceiling."""
    highest = highest_music + float(np.abs(bed).max())
    return 0.0 if highest <= 0.0 else min(0.0, ceiling_db - 20.0 * float(np.log10(highest)))
