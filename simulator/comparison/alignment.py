"""Alignment as a value: where each moment of one version lies in the other.

Conventions: the *first* version is the one that keeps its place (the open master), the *second* is the one
that is moved (the loud master). The moment at frame n of the first lies at frame
    n · second_rate / first_rate · (1 + drift_ppm · 1e-6) + offset_frames
of the second; `offset_frames` are frames of the second version's rate and need not be whole. `polarity` is
1, or −1 where the second is upside down. `gain_db` is the gain that brings the second to the first (least
squares, plain samples, over windows all over the common part): negative where the second is the louder one.
Similarities run from 0 to 1: see comparison/align_fine.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from simulator.common.units import format_time

Kind = Literal["aligned", "ambiguous", "different"]

METHOD = 3
"""Version of the aligning method: raised when any number may change; stored alignments carry it."""


@dataclass(frozen=True, slots=True)
class OffsetCandidate:
    """One place at which the second version may lie against the first."""

    offset_frames: float
    """In frames of the second version's rate."""
    offset_s: float
    polarity: int
    similarity: float


@dataclass(frozen=True, slots=True)
class BandDelay:
    """How much later the second version comes in one band, against `offset_frames`; in frames of the
    second's rate, None where the band holds too little in common. Filters delay bands differently."""

    band: str
    low_hz: float
    high_hz: float | None
    delay_frames: float | None


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the first version that the second holds whole, in the first's time; the moment t of it is
    t · (1 + drift_ppm · 1e-6) + offset_s of the second."""

    first_start_s: float
    first_end_s: float
    offset_s: float


@dataclass(frozen=True, slots=True)
class Edit:
    """Between two pieces (or before the first, after the last): so many seconds of the first version stand
    where the second has so many others. One of the two is 0 where something is only missing or only more."""

    first_at_s: float
    second_at_s: float
    first_seconds: float
    second_seconds: float


FITS_SHARE = 0.9
"""Where less of the common part fits, moments are only compared along the pieces."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How two versions lie against each other, or why that cannot be said.

    `kind` is "aligned"; "ambiguous" where another place fits within 10 % as well (the fields hold the
    best place, `candidates` all of them); or "different": not the same performance, then every field that
    needs a place is None."""

    kind: Kind
    first_rate: int
    second_rate: int
    first_frames: int
    second_frames: int
    offset_frames: float | None
    polarity: int | None
    gain_db: float | None
    drift_ppm: float | None
    snapped: bool
    """The offset was set to a whole frame because the two then cancel better, or as well."""
    null_db: float | None
    """Power of the first minus the moved and matched second, relative to the first, plain samples;
    None where nothing is left at all, or there is no place."""
    similarity: float
    second_best: float | None
    """Similarity of the next best place; None where no other place came into question."""
    confidence: float
    """0.5 to 1: how sure `kind` is as to same or different performance (a logistic of the similarity); 0.5
    where nothing could be judged."""
    candidates: tuple[OffsetCandidate, ...]
    """Best first; more than one only where ambiguous."""
    delay_by_band: tuple[BandDelay, ...]
    reason: str
    agreeing_share: float | None = None
    """Share of the common part whose windows fit this place; less than 1 where something was edited, or
    only one of the two plays; None without a place."""
    method: int = METHOD
    pieces: tuple[Piece, ...] = ()
    """Only where something was edited: what lies where. `offset_frames` is then that of the longest piece."""
    edits: tuple[Edit, ...] = ()
    channels_swapped: bool = False
    """Left and right of the second stand for right and left of the first."""

    @property
    def has_place(self) -> bool:
        return self.offset_frames is not None

    @property
    def fits(self) -> bool:
        """There is one answer for what moment belongs to what: one place, or pieces."""
        share = self.agreeing_share
        return self.kind == "aligned" and (bool(self.pieces) or share is None or share >= FITS_SHARE)

    @property
    def offset_s(self) -> float | None:
        """The offset in seconds: positive where the second version has the longer head."""
        return None if self.offset_frames is None else self.offset_frames / self.second_rate

    def second_time_s(self, first_time_s: float) -> float | None:
        """The moment of the second version that belongs to one of the first (may lie outside of it)."""
        if self.offset_frames is None:
            return None
        stretch = 1.0 + (self.drift_ppm or 0.0) * 1e-6
        if self.pieces:  # between two pieces: where the cut is
            at = [piece for piece in self.pieces if piece.first_start_s <= first_time_s]
            piece = at[-1] if at else self.pieces[0]
            if piece is not self.pieces[-1]:
                first_time_s = min(first_time_s, piece.first_end_s)
            return first_time_s * stretch + piece.offset_s
        return first_time_s * stretch + self.offset_frames / self.second_rate

    def common_s(self) -> tuple[float, float] | None:
        """Start and end, in the first version's time, of what both hold; None without a place or
        without a common part."""
        if self.offset_frames is None:
            return None
        if self.pieces:
            return self.pieces[0].first_start_s, self.pieces[-1].first_end_s
        stretch = 1.0 + (self.drift_ppm or 0.0) * 1e-6
        offset = self.offset_frames / self.second_rate
        start = max(0.0, -offset / stretch)
        end = min(
            self.first_frames / self.first_rate, (self.second_frames / self.second_rate - offset) / stretch
        )
        return (start, end) if end > start else None

    def as_json(self) -> dict[str, Any]:
        """The same with plain types: numbers unrounded, missing ones None."""
        common = self.common_s()
        return {
            **asdict(self),
            "candidates": [asdict(candidate) for candidate in self.candidates],
            "delay_by_band": [asdict(band) for band in self.delay_by_band],
            "pieces": [asdict(piece) for piece in self.pieces],
            "edits": [asdict(edit) for edit in self.edits],
            "offset_s": self.offset_s,
            "common_start_s": None if common is None else common[0],
            "common_end_s": None if common is None else common[1],
        }


_MOST_EDITS = 6
_AGREES = 0.97
"""A lesser share of the common part that fits is said."""


def with_reason(alignment: Alignment) -> Alignment:
    """The alignment with its sentences."""
    notes = []
    if alignment.kind == "ambiguous":
        where = ", ".join(f"{candidate.offset_s:+.3f} s" for candidate in alignment.candidates)
        notes.append(f"The music repeats: these offsets fit equally well, within 10 %: {where}.")
    else:
        notes.append(f"The same performance (similarity {alignment.similarity:.2f} of 1).")
    if alignment.polarity == -1:
        notes.append("The second version has inverted polarity.")
    if alignment.channels_swapped:
        notes.append("Left and right are swapped in the second version; corrected here.")
    if alignment.drift_ppm:
        notes.append(f"The second version runs {_speed(alignment.drift_ppm)}.")
    if alignment.edits:
        said = [_edit(one) for one in alignment.edits[:_MOST_EDITS]]
        more = len(alignment.edits) - len(said)
        said += [f"and {more} more"] if more else []
        notes.append(
            f"The second version was edited: {'; '.join(said)}. Only the matching parts are compared."
        )
    elif alignment.agreeing_share is not None and alignment.agreeing_share < _AGREES:
        share = 100.0 * alignment.agreeing_share
        notes.append(
            f"Only {share:.0f} % of the common part fits this place: one of the two was edited, or "
            "holds something that the other lacks."
            + ("" if alignment.fits or alignment.kind != "aligned" else " Where was not found.")
        )
    return replace(alignment, reason=" ".join(notes))


def _edit(edit: Edit) -> str:
    at, second_at = format_time(edit.first_at_s), format_time(edit.second_at_s)
    if edit.second_seconds == 0.0:
        return f"{_seconds(edit.first_seconds)} are missing at {at}"
    if edit.first_seconds == 0.0:
        return f"{_seconds(edit.second_seconds)} are inserted at {at} (its own {second_at})"
    return (
        f"{_seconds(edit.first_seconds)} at {at} have no counterpart there "
        f"({_seconds(edit.second_seconds)} of other audio instead)"
    )


def _seconds(value: float) -> str:
    return f"{value:.1f} s" if value >= 0.1 else f"{1000.0 * value:.0f} ms"


def _speed(drift_ppm: float) -> str:
    word = "slower" if drift_ppm > 0.0 else "faster"
    return f"{abs(drift_ppm):.2f} ppm {word} ({abs(drift_ppm) * 0.06:.2f} ms a minute)"


def refusal(shape: tuple[int, int, int, int], value: float | None) -> Alignment:
    """Not the same performance; `value` is the similarity at the best place, None where there is none."""
    if value is None:
        return without_place(shape, None, "No passage has enough in common to judge.")
    sure = 100.0 * confidence(value)
    return without_place(
        shape,
        value,
        f"Not the same performance: the best match has a similarity of {value:.2f} of 1, below {BORDER} "
        f"(confidence {sure:.0f} %).",
    )


def without_place(shape: tuple[int, int, int, int], value: float | None, reason: str) -> Alignment:
    """An alignment without a place. `shape`: both rates, both lengths in frames; `value`: the similarity at
    the best place, None where nothing could be judged."""
    return Alignment(
        kind="different",
        first_rate=shape[0],
        second_rate=shape[1],
        first_frames=shape[2],
        second_frames=shape[3],
        offset_frames=None,
        polarity=None,
        gain_db=None,
        drift_ppm=None,
        snapped=False,
        null_db=None,
        similarity=value or 0.0,
        second_best=None,
        confidence=confidence(value) if value is not None else 0.5,
        candidates=(),
        delay_by_band=(),
        reason=reason,
    )


BORDER = 0.25
"""Below it two versions are held to be different performances."""
STEEPNESS = 20.0


def confidence(value: float) -> float:
    """0.5 to 1: how sure "same" (at or above BORDER) or "different" (below) is. A logistic whose steepness
    was chosen so that the unrelated and the related pairs of the tests lie beyond 0.9; it is a scale to
    compare by, not a probability measured on many songs."""
    return 1.0 / (1.0 + math.exp(-STEEPNESS * abs(value - BORDER)))
