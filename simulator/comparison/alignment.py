"""Alignment as a value: where each moment of one version is in the other.

The *first* version stays (the open master), the *second* is moved (the loud master). Frame n of the first is
frame
    n · second_rate / first_rate · (1 + drift_ppm · 1e-6) + offset_frames
of the second; `offset_frames` counts in the second's rate and need not be whole. `polarity` is 1, or −1 where
the second is inverted. `gain_db` matches the second to the first (least squares, plain samples, over windows
all over the common part): negative where the second is louder. Similarities run from 0 to 1: see
comparison/align_fine.
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
    """One possible place of the second version."""

    offset_frames: float
    """In frames of the second version's rate."""
    offset_s: float
    polarity: int
    similarity: float


@dataclass(frozen=True, slots=True)
class BandDelay:
    """Delay of the second version in one band relative to `offset_frames`, in frames of the second's rate;
    None where the band has too little in common. Filters delay bands differently."""

    band: str
    low_hz: float
    high_hz: float | None
    delay_frames: float | None


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the first version that the second has complete, in the first's time; its moment t is
    t · (1 + drift_ppm · 1e-6) + offset_s of the second."""

    first_start_s: float
    first_end_s: float
    offset_s: float


@dataclass(frozen=True, slots=True)
class Edit:
    """An edit between two pieces (or before the first, after the last): seconds of the first version replaced
    by seconds of the second. One of the two is 0 for a plain cut or insertion."""

    first_at_s: float
    second_at_s: float
    first_seconds: float
    second_seconds: float


FITS_SHARE = 0.9
"""Where less of the common part matches, moments are only compared within pieces."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How two versions align, or why they do not.

    `kind` is "aligned"; "ambiguous" where another place fits as well within 10 % (the fields hold the best
    place, `candidates` all); or "different": not the same performance, and every field of a place is None."""

    kind: Kind
    first_rate: int
    second_rate: int
    first_frames: int
    second_frames: int
    offset_frames: float | None = None
    polarity: int | None = None
    gain_db: float | None = None
    drift_ppm: float | None = None
    snapped: bool = False
    """The offset was set to a whole frame, where the two cancel better or as well."""
    null_db: float | None = None
    """Power of the first minus the aligned and matched second, relative to the first, plain samples; None for
    a perfect null, or without a place."""
    similarity: float = 0.0
    second_best: float | None = None
    """Similarity of the next best place; None without another candidate."""
    confidence: float = 0.5
    """0.5 to 1: how sure "same" or "different" performance is (see `confidence`); 0.5 where nothing could be
    judged."""
    candidates: tuple[OffsetCandidate, ...] = ()
    """Best first; more than one only where ambiguous."""
    delay_by_band: tuple[BandDelay, ...] = ()
    reason: str = ""
    agreeing_share: float | None = None
    """Share of the common part whose windows match at this place; below 1 after an edit, or where only one of
    the two plays; None without a place."""
    method: int = METHOD
    pieces: tuple[Piece, ...] = ()
    """Only after an edit: what is where. `offset_frames` is then that of the longest piece."""
    edits: tuple[Edit, ...] = ()
    channels_swapped: bool = False
    """Left and right are swapped in the second."""

    @property
    def has_place(self) -> bool:
        return self.offset_frames is not None

    @property
    def fits(self) -> bool:
        """Every moment has one counterpart: there is a single place, or pieces."""
        share = self.agreeing_share
        return self.kind == "aligned" and (bool(self.pieces) or share is None or share >= FITS_SHARE)

    @property
    def offset_s(self) -> float | None:
        """The offset in seconds: positive where the second version starts with more."""
        return None if self.offset_frames is None else self.offset_frames / self.second_rate

    def second_time_s(self, first_time_s: float) -> float | None:
        """The second version's time at a moment of the first (may be outside the second)."""
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
        """Start and end of the common part in the first version's time; None without a place or common
        part."""
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
        """The same in plain types, numbers unrounded."""
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
"""A smaller matching share of the common part is reported."""


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
        ppm, word = abs(alignment.drift_ppm), "slower" if alignment.drift_ppm > 0.0 else "faster"
        notes.append(f"The second version runs {ppm:.2f} ppm {word} ({ppm * 0.06:.2f} ms a minute).")
    if alignment.edits:
        edits = [_edit(edit) for edit in alignment.edits[:_MOST_EDITS]]
        if len(alignment.edits) > _MOST_EDITS:
            edits.append(f"and {len(alignment.edits) - _MOST_EDITS} more")
        notes.append(
            f"The second version was edited: {'; '.join(edits)}. Only the matching parts are compared."
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


def refusal(shape: tuple[int, int, int, int], similarity: float | None) -> Alignment:
    """Not the same performance. `shape`: both rates, both lengths in frames; `similarity` is that of the best
    place, None where there is none."""
    if similarity is None:
        return Alignment("different", *shape, reason="No passage has enough in common to judge.")
    sure = confidence(similarity)
    reason = (
        f"Not the same performance: the best match has a similarity of {similarity:.2f} of 1, below {BORDER} "
        f"(confidence {100.0 * sure:.0f} %)."
    )
    return Alignment("different", *shape, similarity=similarity, confidence=sure, reason=reason)


BORDER = 0.25
"""Two versions below this similarity count as different performances."""
STEEPNESS = 20.0


def confidence(value: float) -> float:
    """0.5 to 1: how sure "same" (at or above BORDER) or "different" (below) is. A logistic, its steepness
    chosen to put the unrelated and the related pairs of the tests beyond 0.9: a scale for comparison, not a
    measured probability."""
    return 1.0 / (1.0 + math.exp(-STEEPNESS * abs(value - BORDER)))
