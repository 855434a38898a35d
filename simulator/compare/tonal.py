"""Does one fixed filter explain the difference? Then it is tonal balance (or phase), not limiting.

The best linear filter from the open version to the other one (Wiener) has, at each frequency, the cross
spectrum over the open one's power spectrum; what it leaves unexplained is (1 − γ²) of the other's power. It
is asked in that direction because no filter makes partials that distortion adds where there was nothing.
Third octaves after IEC 61260-1 (base ten): centre 1000·10^(k/10) Hz, edges 10^(±1/20) from it.
Conventions: spectra summed over frames and channels, by bin.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.compare import bands
from simulator.compare.difference import ThirdOctave

EXPLAINS = 0.5
BALANCE_DB = 0.2
"""What varies less from third octave to third octave is not called a tonal balance."""
_FIRST, _LAST = -13, 13
"""50 Hz to 20 kHz: lower bands are narrower than the frames resolve."""
_FLOOR = 1e-9
_LEAKAGE = 1e-7

Values = NDArray[np.float64]


def left_by_filter(open_power: Values, other_power: Values, cross: NDArray[np.complex128]) -> Values:
    """Power of the other version by bin that the best filter on the open one leaves. Bins in which the open
    version holds less than _LEAKAGE of its strongest one are no more than the skirts of others."""
    floor = _LEAKAGE * float(open_power.max())
    explained = np.divide(
        np.abs(cross) ** 2, open_power, out=np.zeros_like(open_power), where=open_power > floor
    )
    left: Values = np.maximum(other_power - explained, 0.0)
    return left


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
