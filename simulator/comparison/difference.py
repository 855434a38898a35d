"""Difference of two versions at matched level, as a value.

Conventions: *open* is the version that everything is related to (the alignment's first), *other* the one
that is matched to it (its second). The difference is open − gain · other, over the part that both hold,
with one gain for the whole of it: the least-squares gain on the K-weighted signals (ITU-R BS.1770-5, channel
weights included). `*_lu` are K-weighted powers relative to that of the open version over the same part,
ungated, in LU: 0 is as loud as the music, −20 a hundredth of its power. None means no power at all.
The residual is the sum of two signals:
    gain riding       (curve(t) − gain) · other   what a broadband gain that moves explains (50 ms window)
    waveform change   open − curve(t) · other     the rest
The two are nearly independent, because the curve is itself a local least-squares fit: their powers add up to
the residual's to within about half an LU (measured on limited music). `gain_riding_share` is the first
power over the sum of both.
The level of a difference does not rank quality: smooth gain riding leaves more of it than hard clipping.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

METHOD = 2
"""Version of the method: raised when any number may change; stored differences carry it."""


@dataclass(frozen=True, slots=True)
class BandDifference:
    """The difference in one band; all relative to the whole open version, so bands can be compared."""

    band: str
    low_hz: float
    high_hz: float | None
    residual_lu: float | None
    gain_riding_lu: float | None
    waveform_change_lu: float | None


@dataclass(frozen=True, slots=True)
class ThirdOctave:
    """Level of the matched other version against the open one in one third-octave band (K-weighting
    cancels out); None where either holds next to nothing there."""

    centre_hz: float
    difference_db: float | None


@dataclass(frozen=True, slots=True)
class Difference:
    """The matched difference of two versions, split."""

    match_gain_db: float | None
    """Applied to the other version; None where nothing could be matched."""
    polarity: int
    common_start_s: float
    """In the open version's time."""
    common_seconds: float
    residual_lu: float | None
    gain_riding_lu: float | None
    waveform_change_lu: float | None
    gain_riding_share: float | None
    gain_riding_range_db: float | None
    """How far the gain curve moves: 5th to 95th percentile over the part of the music that is louder than
    its mean power − 20 dB."""
    bands: tuple[BandDifference, ...]
    linear_filter_share: float | None
    """What one fixed linear filter does, as a share of all that is not one plain gain; a level that moves is
    taken out first."""
    tonal_balance_differs: bool
    """That share is more than half: the residual must not be put down to limiting."""
    third_octaves: tuple[ThirdOctave, ...]
    reason: str
    """Plain words: what was found, or why a number is missing."""
    conversion_only: bool = False
    """The other version came here by a conversion (another rate, a drift, a fraction of a frame), and what is
    left is no more than that leaves: `residual_lu` is then the floor, under which no change can be seen."""

    def as_json(self) -> dict[str, Any]:
        """The same with plain types: numbers unrounded, missing ones None."""
        return {
            **asdict(self),
            "bands": [asdict(band) for band in self.bands],
            "third_octaves": [asdict(band) for band in self.third_octaves],
        }
