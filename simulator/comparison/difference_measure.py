"""Size of the difference, and what explains it, in two passes over the common part.

The first pass finds the match (one least-squares gain) and the gain curve; the second takes the spectra of
the open version, the other one and the gain riding, from which everything else follows. A filter is looked
for after the riding has been taken out: see comparison/tonal.
Conventions: as in comparison/difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import gain_to_db
from simulator.comparison.align import Aligned
from simulator.comparison.difference import BandDifference, Difference, ThirdOctave
from simulator.comparison.difference_pass import Pair, pair_of
from simulator.comparison.gain_riding import (
    GainCurve,
    GainFollowing,
    gain_curve,
    gain_following,
    step_frames,
)
from simulator.comparison.tonal import EXPLAINS, Fitted, balance_differs, fit, third_octaves
from simulator.dsp import spectrum as bands

ROUNDING_LU = -110.0
"""Below this the rest is rounding of float32 and of the filters: it is not split any further."""

_CONVERSION_LU, _BELOW_LU, _EDGE_LU = -60.0, -75.0, -50.0
_BETWEEN = 1e-6
CONVERTED = "The two are the same but for conversion; a change smaller than the residual could not be seen."

Values = NDArray[np.float64]
Each = Callable[[Callable[[range], Any], Iterable[range]], Iterable[Any]]


@dataclass(frozen=True, slots=True)
class Matched:
    """The difference as numbers, and what its audio is made with."""

    difference: Difference
    pair: Pair
    gain: float
    """Linear, for the other version with its polarity already put right."""
    curve: GainCurve


@dataclass(slots=True)
class _Sums:
    """Spectra summed over frames and channels, by bin."""

    open_power: Values
    other_power: Values
    cross: NDArray[np.complex128]
    residual: Values
    riding: Values
    change: Values
    ridden_power: Values
    """Of the open version once it moves as the other one does."""
    ridden_cross: NDArray[np.complex128]


def measure_difference(open_samples: NDArray[np.floating], aligned: Aligned, each: Each = map) -> Matched:
    """The difference of the open version (frames, channels) and the aligned other one. `each` works on
    the parts of the common part: a thread pool's `map` gives the same result sooner. Raises ValueError where
    the alignment has no place."""
    pair = pair_of(open_samples, aligned)
    cross, other_power, open_power = _step_sums(pair, each)
    total, ours = float(other_power.sum()), float(open_power.sum())
    gain = float(cross.sum()) / total if total > 0.0 else 0.0
    curve = gain_curve(cross, other_power, open_power, gain, step_frames(pair.sample_rate))
    if not total > 0.0 or not ours > 0.0 or not gain > 0.0:
        return Matched(_unmatched(pair), pair, 0.0, curve)
    follow = gain_following(cross, open_power, step_frames(pair.sample_rate))
    sums = _spectra(pair, gain, curve, follow, each)
    return Matched(_difference(pair, gain, curve, sums, _converted(aligned)), pair, gain, curve)


def _converted(aligned: Aligned) -> bool:
    """The other version was resampled, or read between its frames."""
    found = aligned.alignment
    places = [aligned.place, *(piece.offset_s * found.second_rate for piece in found.pieces)]
    between = any(abs(place - np.rint(place)) > _BETWEEN for place in places)
    return found.first_rate != found.second_rate or bool(found.drift_ppm) or between


def _step_sums(pair: Pair, each: Each) -> tuple[Values, Values, Values]:
    """Sums of open·other, other² and open² by step of the gain curve, K-weighted."""
    step = step_frames(pair.sample_rate)
    sums = np.zeros((3, max(1, -(-pair.frames // step))))

    def of_part(part: range) -> tuple[int, Values]:
        base = part.start // step
        found = np.zeros((3, -(-part.stop // step) - base))
        for at, ours, theirs in pair.weighted(part):
            first = at // step
            edges = np.arange(first, -(-(at + ours.shape[1]) // step)) * step - at
            edges[0] = 0
            for row, (a, b) in enumerate(((ours, theirs), (theirs, theirs), (ours, ours))):
                product = np.einsum("cn,cn->n", a, b, dtype=np.float64)
                found[row, first - base : first - base + edges.shape[0]] += np.add.reduceat(product, edges)
        return base, found

    for base, found in each(of_part, pair.parts()):
        sums[:, base : base + found.shape[1]] += found
    return sums[0], sums[1], sums[2]


def _spectra(pair: Pair, gain: float, curve: GainCurve, follow: GainFollowing, each: Each) -> _Sums:
    size = bands.frame_size(pair.sample_rate)
    count = size // 2 + 1

    def of_part(part: range) -> _Sums:
        sums = _no_sums(count)
        frames: bands.Frames | None = None
        done = 0
        for at, ours, theirs in pair.weighted(part):
            if frames is None:
                frames = bands.Frames(pair.sample_rate, 3, ours.shape[0])
            riding = theirs * (curve.over(at, ours.shape[1]) - gain).astype(np.float32)
            for spectra in frames.push(np.stack([ours, theirs, riding])):
                _add(sums, spectra, gain, follow.over(part.start, done, spectra.shape[2], size))
                done += spectra.shape[2]
        if frames is not None:
            for spectra in frames.finish():
                _add(sums, spectra, gain, follow.over(part.start, done, spectra.shape[2], size))
                done += spectra.shape[2]
        return sums

    whole = _no_sums(count)
    weight = bands.bin_weights(pair.sample_rate)
    for sums in each(of_part, pair.parts()):
        for field in fields(_Sums):
            getattr(whole, field.name)[:] += getattr(sums, field.name) * weight
    return whole


def _no_sums(count: int) -> _Sums:
    power = [np.zeros(count) for _ in range(6)]
    cross = [np.zeros(count, dtype=np.complex128) for _ in range(2)]
    return _Sums(power[0], power[1], cross[0], power[2], power[3], power[4], power[5], cross[1])


def _add(sums: _Sums, spectra: bands.Spectra, gain: float, follow: NDArray[np.float32]) -> None:
    """`follow`: the gain at which the open version goes along with the other one (frames,)."""
    ridden = (spectra[0] * follow[:, np.newaxis]).reshape(-1, spectra.shape[3])
    ours, theirs, riding = spectra.reshape(3, -1, spectra.shape[3])
    sums.ridden_power += _power(ridden)
    sums.ridden_cross += np.einsum("kf,kf->f", ridden, theirs.conj())
    sums.open_power += _power(ours)
    sums.other_power += _power(theirs)
    sums.cross += np.einsum("kf,kf->f", ours, theirs.conj())
    sums.riding += _power(riding)
    theirs *= np.float32(gain)
    ours -= theirs
    sums.residual += _power(ours)
    ours -= riding
    sums.change += _power(ours)


def _power(spectra: NDArray[np.complex64]) -> Values:
    parts = spectra.view(np.float32)
    squares = np.einsum("kf,kf->f", parts, parts).astype(np.float64)
    power: Values = squares.reshape(-1, 2).sum(axis=1)
    return power


def _difference(pair: Pair, gain: float, curve: GainCurve, sums: _Sums, converted: bool) -> Difference:
    rate = pair.sample_rate
    whole = float(sums.open_power.sum())
    residual, riding, change = (float(part.sum()) for part in (sums.residual, sums.riding, sums.change))
    level = _level(residual, whole)
    split = level is not None and level > ROUNDING_LU
    octaves: tuple[ThirdOctave, ...] = third_octaves(sums.open_power, sums.other_power, gain, rate)
    fitted = _fitted(sums) if split else None
    share = None if fitted is None else fitted.filter_share
    by_band = tuple(_bands(sums, whole, rate)) if split else ()
    only = converted and split and _conversion_only(level, by_band)
    flagged = share is not None and share > EXPLAINS and not only
    if fitted is not None and flagged and fitted.moves:  # the balance is that of the filter alone
        octaves = third_octaves(sums.ridden_power, sums.other_power, 1.0, rate)
    return Difference(
        match_gain_db=gain_to_db(gain),
        polarity=pair.polarity,
        common_start_s=pair.start / rate,
        common_seconds=pair.held_frames / rate,
        residual_lu=level,
        gain_riding_lu=_level(riding, whole) if split else None,
        waveform_change_lu=_level(change, whole) if split else None,
        gain_riding_share=riding / (riding + change) if split else None,
        gain_riding_range_db=curve.range_db,
        bands=by_band,
        linear_filter_share=share,
        tonal_balance_differs=flagged,
        third_octaves=octaves,
        reason=CONVERTED if only else _reason(level, split, flagged, octaves),
        conversion_only=only,
    )


def _conversion_only(level: float | None, by_band: tuple[BandDifference, ...]) -> bool:
    """As little as converting left of four songs: −60 LU in all, or next to nothing but in the highest band,
    where converters cut the music off differently (there up to −53 LU)."""
    below = [one.residual_lu for one in by_band[:-1] if one.residual_lu is not None]
    highest = by_band[-1].residual_lu if by_band else None
    edge = all(one <= _BELOW_LU for one in below) and (highest is None or highest <= _EDGE_LU)
    return level is not None and (level <= _CONVERSION_LU or edge)


def _fitted(sums: _Sums) -> Fitted:
    """The other version as the open one through a filter: at a level that stands, or that moves along;
    whichever leaves less."""
    still = fit(sums.open_power, sums.cross, sums.open_power, sums.cross, sums.other_power)
    moving = fit(sums.ridden_power, sums.ridden_cross, sums.open_power, sums.cross, sums.other_power)
    return moving if moving.left < still.left else still


def _bands(sums: _Sums, whole: float, rate: int) -> list[BandDifference]:
    found = []
    for name, low, high in bands.BANDS:
        held = bands.inside(rate, low, high)
        levels = (
            _level(float(part[held].sum()), whole) for part in (sums.residual, sums.riding, sums.change)
        )
        found.append(BandDifference(name, low, high, *levels))
    return found


def _level(power: float, whole: float) -> float | None:
    return 10.0 * float(np.log10(power / whole)) if power > 0.0 else None


def _reason(level: float | None, split: bool, flagged: bool, octaves: tuple[ThirdOctave, ...]) -> str:
    if not split:
        return "Apart from the gain the two are the same" + (
            ", to the last bit." if level is None else ", to rounding."
        )
    if flagged and balance_differs(octaves):
        return "The tonal balance differs; the residual is not attributed to limiting."
    if flagged:
        return (
            "A filter that turns the phase explains most of it; the residual is not attributed to limiting."
        )
    return "One fixed filter does not explain it: the level moves, or the wave itself is changed."


def _unmatched(pair: Pair) -> Difference:
    return Difference(
        match_gain_db=None,
        polarity=pair.polarity,
        common_start_s=pair.start / pair.sample_rate,
        common_seconds=pair.held_frames / pair.sample_rate,
        residual_lu=None,
        gain_riding_lu=None,
        waveform_change_lu=None,
        gain_riding_share=None,
        gain_riding_range_db=None,
        bands=(),
        linear_filter_share=None,
        tonal_balance_differs=False,
        third_octaves=(),
        reason="Nothing to match: one of the two is silent where both play.",
    )
