"""Fine search: delay near a known place, from the phase; similarity and level there.

Windows of 0.7 s all over the common part are transformed; the delay puts the phases of their cross spectrum
on a straight line through zero, each frequency weighted by its coherence (maximum likelihood: Knapp and
Carter, IEEE Trans. ASSP 24, 1976, from memory). The second version is then read at that place, between the
samples, and measured again until nothing moves. Similarity is a number from 0 to 1: the mean over
third-octave bands (60 Hz to 16 kHz, with enough of both) of the magnitude of the mean normalised cross
spectrum. Within a band the phases must agree across frequencies and windows; between bands they may differ,
and levels do not count. So equalisation, level and polarity leave it near 1; limiting lowers it a little;
another song, take or place in the song gives near 0. The border was set on real music: see
tests/comparison/test_align_music.

Both versions are at one sample rate, (frames, channels), with as many channels; `place` is the frame of the
second at frame 0 of the first, a fraction allowed; delays are in frames, positive where the second is later
than `place`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulator.dsp.interpolation import read

WINDOW = 1 << 15
FINE_WINDOW = 1 << 13
SEARCH_FRAMES = 24
"""Search range of the delay around a place, at 44.1 kHz."""
MOST_WINDOWS = 96
_SURE = 1e-3
"""Coherence counts no more than 1 − this: beyond, it is rounding."""
_HEARD = 1e-3
"""Power relative to the mean below which a window is nearly silent (−30 dB)."""
_EMPTY_BIN = 1e-6
"""Power relative to the strongest bin below which a bin is empty (−60 dB)."""
_NOTHING = 1e-300
_LEAST_SIDE = 1e-4
"""The lesser of sum and difference has at least this share of the other's power (−40 dB)."""
_SWAPPED = 0.25
"""Mean correlation from which a sign counts: the BORDER of comparison/alignment."""

Spectra = NDArray[np.complex64]
Values = NDArray[np.float64]
Audio = NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Windows:
    """Spectra of both versions (windows, channels, bins), and the windows' first frames in the first."""

    first: Spectra
    second: Spectra
    starts: NDArray[np.int64]
    size: int

    @property
    def count(self) -> int:
        return int(self.first.shape[0] * self.first.shape[1])


@dataclass(frozen=True, slots=True)
class Common:
    """Sums over all windows and channels, by bin."""

    cross: NDArray[np.complex128]
    first_power: Values
    second_power: Values
    coherence: Values
    """Squared, 0 to 1, corrected for the number of windows."""


def search_frames(rate: int) -> int:
    """Search range of the delay around a place."""
    return max(8, round(SEARCH_FRAMES * rate / 44_100))


def look(
    first: Audio,
    second: Audio,
    place: float,
    drift_ppm: float = 0.0,
    most: int = MOST_WINDOWS,
    size: int = WINDOW,
) -> Windows | None:
    """Spectra of both versions in up to `most` windows spread over the common part, half overlapping where it
    is short; None where it is shorter than a window."""
    low = max(0, int(np.ceil(-place)))
    high = min(first.shape[0], int(np.floor(second.shape[0] - place))) - size
    if high < low:
        return None
    starts = np.linspace(low, high, max(1, min(most, (high - low) // (size // 2) + 1))).astype(np.int64)
    shape = (starts.shape[0], first.shape[1], size // 2 + 1)
    ours, theirs = np.empty(shape, np.complex64), np.empty(shape, np.complex64)
    window = taper(size)
    whole = drift_ppm != 0.0  # a fraction for each window would cost a filter each
    for index, start in enumerate(starts):
        at = start * (1.0 + drift_ppm * 1e-6) + place
        ours[index] = np.fft.rfft(read(first, float(start), size) * window, axis=1)
        theirs[index] = np.fft.rfft(read(second, float(np.rint(at)) if whole else at, size) * window, axis=1)
    return Windows(ours, theirs, starts, size)


@lru_cache(maxsize=4)
def taper(size: int) -> NDArray[np.float32]:
    """The symmetric Hann window."""
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(size) + 0.5) / size)
    return np.asarray(hann, dtype=np.float32)


def common(windows: Windows) -> Common:
    """Cross spectrum, powers and coherence of the windows, by bin."""
    cross = np.einsum("wcf,wcf->f", windows.first, windows.second.conj()).astype(np.complex128)
    ours, theirs = _power(windows.first), _power(windows.second)
    product = ours * theirs
    raw = np.divide(np.abs(cross) ** 2, product, out=np.zeros_like(product), where=product > 0.0)
    chance = 1.0 / windows.count
    coherence = np.clip((raw - chance) / (1.0 - chance), 0.0, 1.0) if windows.count > 1 else raw
    return Common(cross, ours, theirs, coherence)


def _power(spectra: Spectra) -> Values:
    flat = spectra.view(np.float32).reshape(-1, spectra.shape[2], 2)
    return np.asarray(np.einsum("kfi,kfi->f", flat, flat), dtype=np.float64)


def weights(shared: Common) -> Values:
    """Weight of each bin's phase: γ²/(1 − γ²)."""
    return np.asarray(shared.coherence / (1.0 - shared.coherence + _SURE))


def rough_delay(shared: Common, size: int, search: int) -> tuple[float, int]:
    """Delay in frames, to about a tenth, within ±search, and the polarity, 1 or −1."""
    scale = np.abs(shared.cross)
    unit = np.divide(shared.cross, scale, out=np.zeros_like(shared.cross), where=scale > 0.0)
    finer = 8
    wave = np.fft.irfft(np.conj(unit * shared.coherence), finer * size)
    around = np.concatenate([wave[-finer * search :], wave[: finer * search + 1]])
    best = int(np.argmax(np.abs(around)))
    return (best - finer * search) / finer, 1 if around[best] >= 0.0 else -1


def exact_delay(shared: Common, size: int, polarity: int, start: float, held: Values) -> float | None:
    """Delay in frames that puts the phases, weighted by `held`, on a line through zero; None without
    weight."""
    omega = 2.0 * np.pi * np.arange(held.shape[0]) / size
    scale = float(np.sum(held * omega * omega))
    if not scale > 0.0:
        return None
    delay = start
    for _ in range(6):
        phase = np.angle(polarity * shared.cross * np.exp(-1j * omega * delay))
        step = float(np.sum(held * omega * phase)) / scale
        delay += step
        if abs(step) < 1e-7:
            break
    return delay


def drift_of(windows: Windows, shared: Common, polarity: int) -> tuple[float, float]:
    """Frames of delay gained per frame (a slope), and its standard error; outlying windows count less."""
    omega = 2.0 * np.pi * np.arange(shared.coherence.shape[0]) / windows.size
    power = shared.first_power * shared.second_power
    held = np.divide(weights(shared), np.sqrt(power), out=np.zeros_like(power), where=power > 0.0)
    cross = polarity * np.einsum("wcf,wcf->wf", windows.first, windows.second.conj())
    rise = cross.imag @ (held * omega)
    slope = cross.real @ (held * omega * omega)
    weight = np.maximum(slope, 0.0)
    delays = np.divide(rise, slope, out=np.zeros_like(rise), where=weight > 0.0)
    good = weight > 0.05 * weight.max() if weight.size else weight > 0.0
    if np.count_nonzero(good) < 6:
        return 0.0, np.inf
    x = windows.starts[good].astype(np.float64)
    y, w = delays[good].astype(np.float64), np.sqrt(weight[good].astype(np.float64))
    for _ in range(3):
        slope, start = np.polyfit(x, y, 1, w=w)
        rest = np.abs(y - (start + slope * x))
        w = w / (1.0 + (rest / (3.0 * np.median(rest) + 1e-6)) ** 2)
    centre = np.average(x, weights=w * w)
    rest = y - (start + slope * x)
    spread = np.sqrt(np.sum(w * w * rest * rest) / np.sum(w * w))
    error = spread / np.sqrt(np.average((x - centre) ** 2, weights=w * w)) / np.sqrt(len(x))
    return float(slope), float(error)


def agreement(windows: Windows, shared: Common, polarity: int, least: float = 1.0 / 3.0) -> float | None:
    """Share of the windows that match at this place: their correlation (both flattened, by coherence) is at
    least `least` of that of the best windows. Windows nearly silent in both are left out; one in which only
    one plays does not match. None where all are silent."""
    power = np.sqrt(shared.first_power * shared.second_power)
    # bins nearly empty in either (above a low-pass, or a resampler's band) do not count
    sounding = np.minimum(
        shared.first_power / max(float(shared.first_power.max()), _NOTHING),
        shared.second_power / max(float(shared.second_power.max()), _NOTHING),
    )
    held = np.divide(shared.coherence, power, out=np.zeros_like(power), where=sounding > _EMPTY_BIN)
    cross = polarity * np.einsum("wcf,wcf,f->w", windows.first, windows.second.conj(), held).real
    ours, theirs = (
        np.einsum("wcf,f->w", np.square(np.abs(one)), held) for one in (windows.first, windows.second)
    )
    heard = (ours > _HEARD * ours.mean()) | (theirs > _HEARD * theirs.mean())
    if not heard.any():
        return None
    both = np.sqrt(ours * theirs)
    fit = np.divide(cross, both, out=np.zeros_like(cross), where=both > 0.0)[heard]
    return float(np.mean(fit > np.percentile(fit, 90.0) * least))


def swapped(windows: Windows) -> bool:
    """True where left and right are swapped: sum and difference correlate clearly, with opposite signs.
    Nearly mono versions cannot be judged."""
    if windows.first.shape[1] != 2 or windows.second.shape[1] != 2:
        return False
    signs, powers = [], []
    for side in (1.0, -1.0):
        ours = windows.first[:, 0] + np.float32(side) * windows.first[:, 1]
        theirs = windows.second[:, 0] + np.float32(side) * windows.second[:, 1]
        cross = np.einsum("wf,wf->f", ours, theirs.conj()).real
        both = [np.einsum("wf,wf->f", one, one.conj()).real for one in (ours, theirs)]
        scale = np.sqrt(both[0] * both[1])
        held = scale > _EMPTY_BIN * float(scale.max() or 1.0)
        signs.append(float(np.mean(cross[held] / scale[held])) if held.any() else 0.0)
        powers.append([float(one.sum()) for one in both])
    enough = all(min(a, b) > _LEAST_SIDE * max(a, b) for a, b in zip(*powers, strict=True))
    return enough and signs[0] * signs[1] < 0.0 and min(abs(sign) for sign in signs) > _SWAPPED


def rough_line(windows: Windows, search: int) -> tuple[float, float] | None:
    """Delay at frame 0 and slope (frames per frame) of a line through each window's highest correlation
    within ±search, for drifts not yet corrected: the median of the slopes between all pairs of windows. None
    with too few windows."""
    delays, heights = [], []
    for ours, theirs in zip(windows.first, windows.second, strict=True):
        cross = (ours * theirs.conj()).sum(axis=0)
        scale = np.sqrt(np.abs(cross))
        unit = np.divide(cross, scale, out=np.zeros_like(cross), where=scale > 0.0)
        wave = np.fft.irfft(unit.conj(), windows.size)
        around = np.abs(np.concatenate([wave[-search:], wave[: search + 1]]))
        best = int(np.argmax(around))
        delays.append(best - search)
        heights.append(float(around[best]) / (float(np.sqrt(np.mean(np.square(wave)))) or 1.0))
    good = np.array(heights) > 0.3 * max(heights)
    if np.count_nonzero(good) < 6:
        return None
    x, y = windows.starts[good].astype(np.float64), np.array(delays, dtype=np.float64)[good]
    low, high = np.triu_indices(x.shape[0], 1)
    slope = float(np.median((y[high] - y[low]) / (x[high] - x[low])))
    return float(np.median(y - slope * x)), slope


def level(windows: Windows, polarity: int) -> tuple[float, float | None]:
    """The least-squares gain (without its sign) from the second to the first, and the remaining power
    relative to the first's; None for none. A gain of 0 where the second is silent."""
    ours = windows.first.view(np.float32)
    theirs = windows.second.view(np.float32)
    second = float(np.einsum("wcf,wcf->", theirs, theirs, dtype=np.float64))
    first = float(np.einsum("wcf,wcf->", ours, ours, dtype=np.float64))
    if not second > 0.0 or not first > 0.0:
        return 0.0, 1.0
    gain = float(np.einsum("wcf,wcf->", ours, theirs, dtype=np.float64)) / second
    left = 0.0
    for index in range(ours.shape[0]):
        rest = ours[index] - np.float32(gain) * theirs[index]
        left += float(np.vdot(rest, rest))
    return gain * polarity, (left / first if left > 0.0 else None)


_LOWEST_HZ, _HIGHEST_HZ = 60.0, 16_000.0
_FLOOR = 1e-6
"""A band with less mean power than this share of the strongest band's does not count."""


def similarity(shared: Common, rate: int, size: int, delay: float) -> float:
    """The similarity, 0 to 1, at `delay` frames from the windows' place."""
    count = shared.cross.shape[0]
    power = np.sqrt(shared.first_power * shared.second_power)
    turned = shared.cross * np.exp(-2j * np.pi * np.arange(count) / size * delay)
    unit = np.divide(turned, power, out=np.zeros_like(turned), where=power > 0.0)
    edges = _LOWEST_HZ * 2.0 ** (np.arange(0, 26) / 3.0)
    bins = np.unique(np.minimum(np.round(edges * size / rate).astype(int), count - 1))
    bins = bins[edges[: bins.shape[0]] <= min(_HIGHEST_HZ, 0.45 * rate)]
    bands = []
    for low, high in itertools.pairwise(bins.tolist()):
        ours, theirs = shared.first_power[low:high].mean(), shared.second_power[low:high].mean()
        bands.append((abs(unit[low:high].mean()), ours, theirs))
    if not bands:
        return 0.0
    size_of, first, second = (np.array(column) for column in zip(*bands, strict=True))
    counted = (first > _FLOOR * first.max()) & (second > _FLOOR * second.max())
    return float(min(1.0, size_of[counted].mean())) if counted.any() else 0.0
