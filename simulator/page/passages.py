"""Passages that the page lets the client hear, and why these.

Three of each master: the loudest (greatest mean K-weighted energy, BS.1770-5 without gates), the quietest
(around the 3 s window that is the quietest passage, EBU Tech 3342's gates), and the turn (where the music
grows most from the 3 s before to the 3 s after); of a reference the loudest alone, which is what a master is
held against. Marks are added, and the moments at which a loud version is most likely to sound different
from the open one, in these two alone. Versions of one song share the places, found on the first of them; a
version that is too short for a place goes without it. Times in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import format_time
from simulator.metering.passage import Passage, biggest_change, loudest, quietest_middle_s

Kind = Literal["loudest", "quietest", "turn", "mark", "change"]
SHORTEST_S = 0.5
"""ITU-R BS.1534-3, section 5.3: loops of at least 500 ms."""


@dataclass(frozen=True, slots=True)
class Place:
    """A passage of one track, with the kind that it is chosen by. `label` is a mark's name or what is heard
    at a change, and "drop" where the music turns quieter."""

    kind: Kind
    label: str
    passage: Passage


@dataclass(frozen=True, slots=True)
class TrackEnergy:
    """What is needed of one track: its song, the energy each 100 ms, its length, and by how much this
    version lies later than the first version of the song (0 where that is not known)."""

    song: str | None
    energy: NDArray[np.float64]
    duration_s: float
    offset_s: float = 0.0
    reference: bool = False


@dataclass(frozen=True, slots=True)
class DeskMark:
    """A place that was set at the desk, in the time of track `track`."""

    track: int
    at_s: float
    label: str


@dataclass(frozen=True, slots=True)
class ChangeMoment:
    """Where two versions of a song are likely to sound different: in the time of the first of `tracks`, and
    what is heard there."""

    tracks: tuple[int, int]
    at_s: float
    seconds: float
    label: str


def choose(
    tracks: Sequence[TrackEnergy],
    seconds: float,
    marks: Sequence[DeskMark] = (),
    changes: Sequence[ChangeMoment] = (),
) -> list[list[Place]]:
    """The places of every track, in the order loudest, quietest, turn, marks, changes. A track shorter than
    `seconds` has one place, the whole track; one under 0.5 s none."""
    first_of: dict[str, int] = {}
    chosen: list[list[Place]] = []
    for number, track in enumerate(tracks):
        leader = number if track.song is None else first_of.setdefault(track.song, number)
        own = _measured(tracks[leader], seconds) + _marked(tracks, leader, seconds, marks)
        if leader != number:
            later = track.offset_s - tracks[leader].offset_s
            shared = (_moved(place, later, track.duration_s) for place in own)
            own = [place for place in shared if place is not None] or _measured(track, seconds)
        chosen.append(own)
    for change in changes:
        both = [_changed(change, tracks[index], tracks[change.tracks[0]].offset_s) for index in change.tracks]
        for index, place in zip(change.tracks, both, strict=True):
            if place is not None and None not in both:
                chosen[index].append(place)
    return chosen


def _changed(change_moment: ChangeMoment, track: TrackEnergy, offset_s: float) -> Place | None:
    """A change in one of its two versions; None where that version is too short."""
    if track.duration_s < change_moment.seconds:
        return None
    start = min(
        max(change_moment.at_s + track.offset_s - offset_s, 0.0), track.duration_s - change_moment.seconds
    )
    where = f"where the two are likely to sound most different, from {format_time(start)}"
    return Place("change", change_moment.label, Passage(start, change_moment.seconds, where))


def _measured(track: TrackEnergy, seconds: float) -> list[Place]:
    """The places that the measurement suggests."""
    if track.duration_s < SHORTEST_S:
        return []
    places = [Place("loudest", "", loudest(track.energy, seconds, track.duration_s))]
    if track.duration_s <= seconds or not track.energy.any() or track.reference:
        return places
    middle = quietest_middle_s(track.energy)
    if middle is not None:
        places.append(_around(track, middle, seconds, "quietest", f"its quietest {seconds:g} s"))
    change = biggest_change(track.energy)
    if change is not None:
        words, label = ("where it grows most", "") if change[1] else ("where it falls most", "drop")
        places.append(_around(track, change[0], seconds, "turn", words, label))
    return places


def _around(
    track: TrackEnergy, middle_s: float, seconds: float, kind: Kind, words: str, label: str = ""
) -> Place:
    start = min(max(middle_s - seconds / 2.0, 0.0), track.duration_s - seconds)
    return Place(kind, label, Passage(start, seconds, f"{words}, from {format_time(start)}"))


def _marked(
    tracks: Sequence[TrackEnergy], leader: int, seconds: float, marks: Sequence[DeskMark]
) -> list[Place]:
    """The marks on any version of the leader's song, in the leader's time."""
    first, places = tracks[leader], []
    if first.duration_s < SHORTEST_S:
        return []
    length = min(seconds, first.duration_s)
    for mark in marks:
        other = tracks[mark.track]
        if mark.track != leader and (first.song is None or other.song != first.song):
            continue
        at = mark.at_s - other.offset_s + first.offset_s
        start = min(max(at, 0.0), first.duration_s - length)
        where = f"marked at the desk, from {format_time(start)}"
        places.append(Place("mark", mark.label or format_time(start), Passage(start, length, where)))
    return places


def _moved(place: Place, later_s: float, duration_s: float) -> Place | None:
    """The same place of the song in another version; None where that version has ended by then."""
    start, seconds = place.passage.start_s + later_s, place.passage.seconds
    if start < 0.0 or start + seconds > duration_s:
        return None
    where = f"the same place as in the first version, from {format_time(start)}"
    return Place(place.kind, place.label, Passage(start, seconds, where))
