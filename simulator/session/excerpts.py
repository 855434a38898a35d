"""Excerpts of a song: the loudest, the quietest, the biggest rise, a time, a mark.

All are found on the first version of a song and are then the same moment in every version. Loudest: the
greatest mean energy over the passage's length. Quietest: the quietest passage of the measuring code (10th
percentile of the short-term loudness behind Tech 3342's gates). Lift: where the music grows most from the
3 s before to the 3 s after, neither below the quietest passage (the project's own definition).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from simulator.common.errors import UsageError
from simulator.common.units import format_time
from simulator.metering.passage import biggest_change, loudest, quietest_middle_s
from simulator.session.levels import Span
from simulator.session.track import TrackView, same_moment_s, versions

KINDS = ("loudest", "quietest", "lift")
NEXT_MARK = "mark"
"""What `go` takes for the next mark."""
WORST = "worst"
"""What `go`, `loop`, `montage` and `trial` take for a worst moment (see `worst`)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A named moment, in the time of the track that played when it was set, and what a listener said."""

    name: str
    track: int
    place_s: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A passage of a track, and why it was chosen."""

    span: Span
    reason: str


def place_of(tracks: tuple[TrackView, ...], track: int, kind: str, seconds: float) -> Excerpt:
    """The loudest, quietest or lifting passage of a track, `seconds` long or its whole length."""
    first = versions(tracks, track)[0] if tracks[track].song is not None else track
    start, reason = _start(tracks[first], kind, seconds)
    start = same_moment_s(tracks, first, start, track)
    shared = f", chosen on {tracks[first].version}" if first != track else ""
    length = tracks[track].duration_s
    start = min(start, max(length - seconds, 0.0))
    return Excerpt(
        Span(track, start, min(start + seconds, length)), f"{reason} ({format_time(start)}){shared}"
    )


def _start(view: TrackView, kind: str, seconds: float) -> tuple[float, str]:
    found = view.delivered
    if found is None:
        return 0.0, "its start"
    energy = found.series.energy
    if kind == "loudest":
        return loudest(energy, seconds, found.duration_s).start_s, "its loudest passage"
    if kind == "quietest":
        middle = quietest_middle_s(energy)
        if middle is None:
            return 0.0, "its start (no quiet passage found)"
        return max(middle - seconds / 2, 0.0), "its quietest passage"
    change = biggest_change(energy)
    if change is None:
        return 0.0, "its start (no rise from quiet to loud found)"
    words = "its biggest rise, quiet to loud" if change[1] else "its biggest drop, loud to quiet"
    return max(change[0] - seconds / 2, 0.0), words


def kind_of(word: str) -> str | None:
    """The passage that a word names, in any case; `turn` is what the lift was called."""
    name = {"turn": "lift"}.get(word.casefold(), word.casefold())
    return name if name in KINDS else None


def parse_time(text: str, now_s: float = 0.0) -> float | None:
    """Seconds from 83, 83.5, 1:23, 1:02:03, or from +10 and -10 against `now_s`; None for anything else."""
    sign = text[:1] if text[:1] in ("+", "-", "−") else ""
    body = text[len(sign) :].removesuffix("s").strip()
    if not re.fullmatch(r"\d{1,6}(:[0-5]?\d){0,2}(\.\d{1,6})?", body, re.ASCII):
        return None
    seconds = 0.0
    for part in body.split(":"):
        seconds = seconds * 60.0 + float(part)
    return seconds if not sign else now_s + (seconds if sign == "+" else -seconds)


def find_mark(marks: tuple[Mark, ...], name: str) -> Mark:
    """By its name, in any case. Raises UsageError with the names there are."""
    for mark in marks:
        if mark.name.casefold() == name.casefold():
            return mark
    known = ", ".join(mark.name for mark in marks)
    raise UsageError(f"No mark named “{name}”.", f"Marks: {known}." if marks else "Set one: mark NAME")
