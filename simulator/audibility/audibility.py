"""Where a change is likely to be heard, as a value.

Times are in seconds of the open version; None where nothing was measured; shares run from 0 to 1.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from simulator.common.text import level

METHOD = 2
"""Version of the method: raised when any number may change; stored values carry it."""
MOMENT_S = 3.0


class MomentKind(StrEnum):
    """The kind of change heard at a moment."""

    CHANGE = "change"
    """The sound itself changes by more than the open version masks."""
    ATTACK = "attack"
    """Hits lose peak level relative to the music around them."""
    PUMPING = "pumping"
    """The level moves on its own, between 0.5 and 10 Hz."""
    TONE = "tone"
    """A held note gains harmonics."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One of the worst 3 s of its kind."""

    kind: MomentKind
    at_s: float
    """Its start."""
    length_s: float
    amount_db: float
    """Change: mean excess over the mask. Attack: mean loss of the hits' peaks. Pumping: swing of the gain.
    Tone: added harmonics relative to the note."""
    severity: float
    """The amount in multiples of the threshold of its kind, to rank the kinds against each other."""
    low_hz: float | None = None
    high_hz: float | None = None
    """Change: the band with the greatest excess. Tone: the note's frequency, twice."""


@dataclass(frozen=True, slots=True)
class BandAudibility:
    """One of the ear model's bands, or several together."""

    low_hz: float
    high_hz: float
    nmr_db: float | None
    """Noise-to-mask ratio, mean of the powers over the frames and bands."""
    share_audible: float
    """Share of the frames in which the change exceeds the mask here."""


@dataclass(frozen=True, slots=True)
class Hits:
    """Sudden rises of the open version, and their losses in the other one."""

    count: int
    peak_loss_db: float | None
    """Median loss of the highest 3 ms relative to the 3 s around them."""
    rise_loss_db: float | None
    """Median loss of the rise from the 50 ms before to the first 12 ms."""


@dataclass(frozen=True, slots=True)
class Audibility:
    """An estimate by a model; never a quality score."""

    share_audible: float | None
    """Share of the frames in which the change exceeds the mask in any band by 1.5 dB (the standard's relative
    disturbed frames); None where the open version is silent."""
    nmr_db: float | None
    """Total noise-to-mask ratio; None where nothing differs at all."""
    exceeds_db: float | None
    """Excess over the mask in those frames, mean of the highest band; None without any."""
    bands: tuple[BandAudibility, ...]
    """The bands of dsp/spectrum, lowest first."""
    hits: Hits
    pumping_db: float | None
    """Median swing of the gain between 0.5 and 10 Hz over 3 s."""
    added_harmonics_db: float | None
    """Harmonics added to held notes, relative to the notes, mean of the powers; None without held notes, or
    without any added."""
    moments: tuple[Moment, ...]
    """Up to five of each kind, at least 8 s apart; kind by kind, the worst first."""
    step_s: float
    strip_db: tuple[float, ...]
    """For each `step_s` of the common part, the mean excess over the mask; 0 without any. For a picture."""
    start_s: float = 0.0
    strip_share: tuple[float, ...] = ()
    """For the same steps, the share of frames in which the mask is exceeded by 1.5 dB."""

    def share_between(self, start_s: float, end_s: float) -> float | None:
        """Audible share of a passage, steps at its ends weighted by the part inside; None outside the common
        part."""
        edges = self.start_s + self.step_s * np.arange(len(self.strip_share) + 1)
        inside = np.clip(np.minimum(edges[1:], end_s) - np.maximum(edges[:-1], start_s), 0.0, None)
        held = float(inside.sum())
        return float(inside @ np.array(self.strip_share)) / held if held > 0.0 else None

    def worst(self, count: int = 3) -> tuple[Moment, ...]:
        """The worst of each kind, the severest first, then the second of each, and so on; at least 8 s apart.
        Empty: no audible change is expected."""
        ranked: list[tuple[int, float, Moment]] = []
        for kind in MomentKind:
            own = [moment for moment in self.moments if moment.kind is kind]
            own.sort(key=lambda moment: -moment.severity)
            ranked += [(rank, -moment.severity, moment) for rank, moment in enumerate(own)]
        ranked.sort(key=lambda entry: entry[:2])
        return apart([moment for *_, moment in ranked], count)

    def as_json(self) -> dict[str, Any]:
        """The same in plain types, numbers unrounded."""
        return {
            **asdict(self),
            "bands": [asdict(band) for band in self.bands],
            "moments": [{**asdict(moment), "kind": moment.kind.value} for moment in self.moments],
            "strip_db": list(self.strip_db),
            "strip_share": list(self.strip_share),
        }


_BASS_BELOW_HZ = 250.0


def moment_words(moment: Moment) -> str:
    """The change heard at a moment: "the level pumps by 3.1 dB". No instrument is named that the numbers do
    not show: a hit is any sudden rise, and a held note below 250 Hz is the bass."""
    if moment.kind is MomentKind.ATTACK:
        return f"hits lose {level(moment.amount_db)} dB of attack"
    if moment.kind is MomentKind.PUMPING:
        return f"the level pumps by {level(moment.amount_db)} dB"
    if moment.kind is MomentKind.TONE:
        note = "the bass" if (moment.low_hz or 0.0) < _BASS_BELOW_HZ else "a held note"
        return f"{note} distorts ({100.0 * 10.0 ** (moment.amount_db / 20.0):.0f} % harmonics added)"
    return f"the sound changes, most {_range(moment.low_hz or 0.0, moment.high_hz or 0.0)}"


def _range(low_hz: float, high_hz: float) -> str:
    if high_hz < 1000.0:
        return f"from {low_hz:.0f} to {high_hz:.0f} Hz"
    if low_hz < 1000.0:
        return f"from {low_hz:.0f} Hz to {high_hz / 1000.0:.1f} kHz"
    return f"from {low_hz / 1000.0:.1f} to {high_hz / 1000.0:.1f} kHz"


APART_S = 8.0


def apart(ranked: list[Moment], count: int) -> tuple[Moment, ...]:
    """The first `count` moments at least 8 s from those before."""
    chosen: list[Moment] = []
    for moment in ranked:
        if len(chosen) < count and all(abs(moment.at_s - other.at_s) >= APART_S for other in chosen):
            chosen.append(moment)
    return tuple(chosen)
