"""Masking threshold of a sound: the FFT ear model of ITU-R BS.1387.

From the power spectra of half-overlapping Hann frames of about 43 ms: weighting by the outer and middle ear,
grouping into bands of half a Bark from 80 Hz to 18 kHz, internal noise, spreading along the bands with an
upper slope that depends on level, forward masking along time, and the distance from there to the threshold.
Source: ITU-R BS.1387-1 (11/2001), Annex 2, section 2.1, in the half-Bark bands of its advanced version. The
formulas are from memory, as P. Kabal sets them out in "An Examination and Interpretation of ITU-R BS.1387"
(McGill University, 2003); the standard's own text was not at hand.

The distance is the standard's for a noise-like masker (3 dB up to 12 Bark, then a quarter of the Bark
number). A tone masks much less, which the standard leaves to other parts of its method: there the distance is
14.5 dB + the Bark number for noise of one critical band (M. R. Schroeder, B. S. Atal, J. L. Hall, JASA 66,
1979; from memory); between the two it follows the band's tonality, as in J. D. Johnston (IEEE JSAC 6, 1988).
Tonality: three successive spectra of a steady or evenly decaying partial obey X₀·X₂ = X₁², whatever its
frequency. The remainder over the sum of both magnitudes is 0 for a tone, and above 0.6 for most noise.

Arrays are float32 (bands, columns), a column being a frame of a channel; powers are on a scale on which a
full-scale sine has 92 dB SPL, the standard's choice where the playback level is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.spectrum import frame_of

FULL_SCALE_DB_SPL = 92.0
BARK = 0.5
_LOWEST_HZ, _HIGHEST_HZ = 80.0, 18_000.0
_TONES_BELOW_HZ = 5000.0
"""Above this, partials are too dense and unsteady to tell from noise; music counts as noise there."""
_TONE, _NOISE = 0.15, 0.65
"""The remainder up to which a band counts as a tone, and from which it counts as noise."""
_SPREADING_POWER = 0.4
_DOWNWARD_DB_A_BARK = 27.0

Bands = NDArray[np.float32]


def frame_size(sample_rate: int) -> int:
    """The power of two nearest to 43 ms: 2048 at 44.1 and 48 kHz."""
    return frame_of(0.0427, sample_rate)


def hann(size: int) -> NDArray[np.float64]:
    """The periodic Hann window of peak 1. In float64, since numpy transforms float32 several times slower."""
    return np.asarray(0.5 * (1.0 - np.cos(2.0 * np.pi * np.arange(size) / size)))


def spectra(
    samples: NDArray[np.float32], window: NDArray[np.float64], hop: int, held: slice
) -> NDArray[np.complex64]:
    """Spectra (frames, channels, bins) of some of the frames, `hop` apart, of samples (channels, frames)."""
    size = window.shape[0]
    shape = ((samples.shape[1] - size) // hop + 1, samples.shape[0], size)
    strides = (hop * samples.itemsize, samples.strides[0], samples.itemsize)
    frames = np.lib.stride_tricks.as_strided(samples, shape, strides)[held]
    return np.fft.rfft(frames * window, axis=2).astype(np.complex64)


def bark(hz: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """The standard's scale of critical bands: 7·asinh(f/650)."""
    return np.asarray(7.0 * np.arcsinh(np.asarray(hz) / 650.0))


@dataclass(frozen=True, slots=True)
class Ear:
    """The tables of one sample rate. `grouping` (bins, bands) holds the share of each bin in each band."""

    low_hz: NDArray[np.float64]
    high_hz: NDArray[np.float64]
    weighting: NDArray[np.float32]
    """Of the outer and middle ear, as a power, with the calibration (bins,)."""
    grouping: NDArray[np.float32]
    noise_power: Bands
    upward: Bands
    """10 log of the upper slope without its level, a band (bands, 1)."""
    normalisation: Bands
    release: Bands
    """Share of the last frame's mask that remains in this one (bands, 1)."""
    under_noise_db: Bands
    under_tone_db: Bands

    @property
    def bands(self) -> int:
        return int(self.low_hz.shape[0])


def ear(sample_rate: int) -> Ear:
    """The ear at a sample rate, for spectra of `frame_size` under a Hann window of peak 1."""
    size = frame_size(sample_rate)
    lowest, highest = bark(_LOWEST_HZ), bark(min(_HIGHEST_HZ, 0.475 * sample_rate))
    edges = lowest + BARK * np.arange(int((highest - lowest) / BARK) + 1)
    hz = 650.0 * np.sinh(edges / 7.0)
    middle = 650.0 * np.sinh((edges[:-1] + BARK / 2.0) / 7.0)
    width = sample_rate / size
    bins = np.arange(size // 2 + 1) * width
    low = np.maximum(bins[:, np.newaxis] - width / 2.0, hz[:-1])
    high = np.minimum(bins[:, np.newaxis] + width / 2.0, hz[1:])
    shares = np.maximum(0.0, high - low) / width
    khz = np.maximum(bins, 1.0) / 1000.0
    weighting_db = -2.184 * khz**-0.8 + 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) - 0.001 * khz**3.6
    full_scale = 0.375 * size * size / 4.0  # power of a sine of peak 1, summed over its bins
    weighting = 10.0 ** ((weighting_db + FULL_SCALE_DB_SPL) / 10.0) / full_scale
    number = BARK * np.arange(middle.shape[0])
    tau = 0.008 + 100.0 / middle * (0.030 - 0.008)
    table = Ear(
        low_hz=hz[:-1],
        high_hz=hz[1:],
        weighting=weighting.astype(np.float32),
        grouping=shares.astype(np.float32),
        noise_power=_column(10.0 ** (0.1456 * (middle / 1000.0) ** -0.8)),
        upward=_column(-24.0 - 230.0 / middle),
        normalisation=np.ones((1, 1), dtype=np.float32),
        release=_column(np.exp(-(size // 2) / (sample_rate * tau))),
        under_noise_db=_column(np.maximum(3.0, 0.25 * number)),
        under_tone_db=_column(14.5 + bark(middle) + 3.0),  # a band holds half of a critical band's noise
    )
    return replace(table, normalisation=_spread(table, np.ones((table.bands, 1), dtype=np.float32)))


def _column(values: NDArray[np.float64]) -> Bands:
    return values.astype(np.float32)[:, np.newaxis]


def _spread(ear: Ear, power: Bands) -> Bands:
    """Each band's power spread over all, summed as powers of 0.4; not normalised."""
    down = 10.0 ** (-_DOWNWARD_DB_A_BARK * BARK / 10.0)
    up = np.minimum(ear.upward + np.float32(2.0) * np.log10(power), -1.0)  # 0.2 · L, L = 10 log
    up = np.power(np.float32(10.0), up * np.float32(BARK / 10.0))
    above = np.arange(ear.bands, 0, -1, dtype=np.float32)[:, np.newaxis]  # bands from here to the highest
    below = np.arange(1, ear.bands + 1, dtype=np.float32)[:, np.newaxis]
    area = (1.0 - down**below) / np.float32(1.0 - down) + (1.0 - np.power(up, above)) / (1.0 - up) - 1.0
    line = np.power(power / area, np.float32(_SPREADING_POWER))
    up = np.power(up, np.float32(_SPREADING_POWER))
    sums = line.copy()
    falling = np.float32(down**_SPREADING_POWER)
    carried = line[-1]
    bands = ear.bands
    for band in range(bands - 2, -1, -1):
        carried = carried * falling
        sums[band] += carried
        carried = carried + line[band]
    for band in range(bands - 1):
        slope, reached = up[band], line[band].copy()
        for higher in range(band + 1, bands):
            reached *= slope
            sums[higher] += reached
    return np.asarray(np.power(sums, np.float32(1.0 / _SPREADING_POWER)))


def excitation(ear: Ear, power: Bands) -> Bands:
    """Excitation of every band by the grouped power, within the frame."""
    return _spread(ear, power + ear.noise_power) / ear.normalisation


def tonality(ear: Ear, spectra: NDArray[np.complex64]) -> NDArray[np.float32]:
    """How tonal each band is from 0 to 1 (frames, channels, bands), of three successive frames each:
    `spectra` (frames + 2, channels, bins)."""
    bands = int(np.searchsorted(ear.high_hz, _TONES_BELOW_HZ))
    bins = int(np.flatnonzero(ear.grouping[:, bands - 1])[-1]) + 1
    near, grouping = spectra[:, :, :bins], ear.grouping[:bins, :bands]
    height = np.abs(near)
    outer, inner = near[2:] * near[:-2], np.square(near[1:-1])
    whole = (height[2:] * height[:-2] + np.square(height[1:-1])) @ grouping
    share = np.divide(np.abs(outer - inner) @ grouping, whole, out=np.ones_like(whole), where=whole > 0.0)
    tonal = np.zeros((*whole.shape[:2], ear.bands), dtype=np.float32)
    tonal[:, :, :bands] = np.clip((_NOISE - share) / (_NOISE - _TONE), 0.0, 1.0)
    return tonal


def threshold(ear: Ear, power: Bands, masker: Bands, tonal: Bands) -> Bands:
    """The power in each band up to which an added sound is masked. `power` is the band's own: where spreading
    adds more than that, the masker is in another band, and the distance is that under noise."""
    own = tonal * np.minimum(power / masker, np.float32(1.0))
    distance = ear.under_noise_db + own * (ear.under_tone_db - ear.under_noise_db)
    masker = masker + own * np.maximum(power - masker, np.float32(0.0))
    return np.asarray(masker * np.power(np.float32(10.0), distance * np.float32(-0.1)))


def without_balance(
    balance: Sequence[tuple[float, float]], sample_rate: int, size: int
) -> NDArray[np.float32]:
    """Factors that take a tonal balance out of the magnitudes of spectra of `size` frames (bins,). `balance`
    holds the centres of bands in Hz, rising, and their levels in dB, with straight lines over log frequency
    between."""
    if not balance:
        return np.ones(size // 2 + 1, dtype=np.float32)
    bins = np.maximum(np.arange(size // 2 + 1) * (sample_rate / size), 1.0)
    centres, levels = np.array(balance, dtype=np.float64).T
    return np.asarray(10.0 ** (-np.interp(np.log(bins), np.log(centres), levels) / 20.0)).astype(np.float32)


def mask_over_time(
    ear: Ear, power: Bands, excited: Bands, tonal: NDArray[np.float32], masked: Bands
) -> NDArray[np.float32]:
    """Power up to which a change is masked, (frames, channels, bands), the shape of `tonal`. `power` and
    `excited` are (bands, columns); `masked` (bands, channels) carries forward masking on from piece to
    piece."""
    excitations = excited.reshape(ear.bands, *tonal.shape[:2])
    masker = np.empty_like(excitations)
    stays, comes = ear.release, np.float32(1.0) - ear.release
    for frame in range(excitations.shape[1]):
        masked *= stays
        masked += comes * excitations[:, frame]
        np.maximum(masked, excitations[:, frame], out=masker[:, frame])
    mask = threshold(ear, power, masker.reshape(ear.bands, -1), tonal.reshape(-1, ear.bands).T)
    return mask.T.reshape(tonal.shape)
