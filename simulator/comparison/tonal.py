"""Tonal balance: the one fixed filter that explains the difference, which is then no limiting.

The best linear filter from the open version to the other one (Wiener) has, at each frequency, the cross
spectrum over the open one's power spectrum; what it leaves unexplained is (1 − γ²) of the other's power. It
is asked in that direction because no filter makes partials that distortion adds where there was nothing.
A level that moves is no filter, but where the music moves with it a filter would explain some of it (a fade
takes more from what comes at the end). So the filter is fitted twice, on the open version and on the open
version led along the other one's level, and the fit that leaves less counts.
Third octaves after IEC 61260-1 (base ten): centre 1000·10^(k/10) Hz, edges 10^(±1/20) from it.
Conventions: spectra summed over frames and channels, by bin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.comparison.difference import ThirdOctave
from simulator.dsp import spectrum as bands

EXPLAINS = 0.5
BALANCE_DB = 0.2
"""What varies less from third octave to third octave is not called a tonal balance."""
_FIRST, _LAST = -13, 13
"""50 Hz to 20 kHz: lower bands are narrower than the frames resolve."""
_FLOOR = 1e-9
_LEAKAGE = 1e-7

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fitted:
    """The other version as a filter on the open one, and what that leaves; powers in the other's scale."""

    filter_share: float
    """What the filter does, as a share of all that is not one plain gain: filter, level that moves, rest."""
    left: float
    moves: bool
    """The open version was first led along the other one's level."""


def fit(
    ridden_power: Values,
    ridden_cross: NDArray[np.complex128],
    open_power: Values,
    cross: NDArray[np.complex128],
    other_power: Values,
) -> Fitted:
    """The best filter on the open version led along (`ridden_*`; the same as `open_power` and `cross` where
    its level stands). With h(t) that level and H the filter, the other version is
        g·open + (h − g)·open + h·(H − 1)·open + rest
    with g the best plain gain, and the level of H such that h·(H − 1)·open holds nothing of h·open. Bins in
    which the open version holds less than _LEAKAGE of its strongest one are the skirts of others."""
    held = ridden_power > _LEAKAGE * float(ridden_power.max())
    power = np.where(held, ridden_power, 1.0)
    explained = np.where(held, np.abs(ridden_cross) ** 2 / power, 0.0)
    left = float(np.maximum(other_power - explained, 0.0).sum())
    whole, along = float(ridden_power.sum()), float(ridden_cross.real.sum())
    level = along / whole if whole > 0.0 else 0.0
    by_filter = max(0.0, float(explained.sum()) - level * along)
    plain = float(cross.real.sum()) ** 2 / float(open_power.sum())
    by_level = max(0.0, level * along - plain)
    total = by_filter + by_level + left
    return Fitted(by_filter / total if total > 0.0 else 0.0, left, ridden_power is not open_power)


def third_octaves(
    open_power: Values, other_power: Values, gain: float, sample_rate: int
) -> tuple[ThirdOctave, ...]:
    """Level of the matched other version against the open one, by third octave below 0.5 of the rate."""
    found = []
    for number in range(_FIRST, _LAST + 1):
        centre = 1000.0 * 10.0 ** (number / 10.0)
        if centre * 10.0**0.05 > sample_rate / 2:
            break
        held = bands.inside(sample_rate, centre * 10.0**-0.05, centre * 10.0**0.05)
        ours, theirs = float(open_power[held].sum()), gain * gain * float(other_power[held].sum())
        enough = min(ours, theirs) > _FLOOR * float(open_power.sum())
        found.append(ThirdOctave(centre, 10.0 * float(np.log10(theirs / ours)) if enough else None))
    return tuple(found)


def balance_differs(octaves: tuple[ThirdOctave, ...]) -> bool:
    """Two third octaves differ by BALANCE_DB or more (an equal difference in all is but a level)."""
    levels = [band.difference_db for band in octaves if band.difference_db is not None]
    return bool(levels) and max(levels) - min(levels) >= BALANCE_DB
