"""Values that a page is made from: measured tracks, predictions, and what was noted."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from simulator.delivery.finding import Finding
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import BARE_FILES, Track
from simulator.text.colours import VERSIONS
from simulator.text.short_names import short_names

MOST_TITLES = 3
"""Of bare files, in the title of a page."""


@dataclass(frozen=True, slots=True)
class PageTrack:
    """One track: its place in the playlist (from 1), what was measured, and for each player what it does
    (None where that could not be said); `problem` says why a track could not be read."""

    number: int
    track: Track
    delivered: Measurement | None
    predictions: tuple[Prediction | None, ...]
    problem: str = ""


@dataclass(frozen=True, slots=True)
class PageContent:
    """What the page is made of, sounds apart."""

    title: str
    client: str
    version: str
    """Of the program."""
    profiles: tuple[Profile, ...]
    tracks: tuple[PageTrack, ...]
    decisions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    trials: tuple[str, ...] = ()
    findings: Mapping[int, tuple[Finding, ...]] = field(default_factory=dict)
    """Those of the delivery check, by the track's number."""
    engineer: str = ""
    """Who made the page."""
    listen: Mapping[str, Any] | None = field(default=None)
    """What the listening part shows (see `listen.view`); None where there is nothing to hear."""


def song_groups(tracks: Sequence[PageTrack]) -> list[list[PageTrack]]:
    """Readable versions of each song with two or more of them, in the playlist's order."""
    groups: dict[str, list[PageTrack]] = {}
    for track in tracks:
        if track.track.song is not None and track.delivered is not None and track.predictions[0] is not None:
            groups.setdefault(track.track.song, []).append(track)
    return [group for group in groups.values() if len(group) > 1]


@dataclass(frozen=True, slots=True)
class Look:
    """What a track is called on the page, and which of the versions' colours it has (None: a reference)."""

    name: str
    colour: int | None


def looks(tracks: Sequence[PageTrack]) -> dict[int, Look]:
    """The look of each track, by number. Of versions the most quiet file has the first colour, the open
    version's; the others follow in order."""
    found = {
        one.number: Look(one.track.title, None if one.track.role == "reference" else 0) for one in tracks
    }
    for group in song_groups(tracks):
        names = short_names([one.track.title for one in group])
        places = sorted(range(len(group)), key=lambda place: _file_lufs(group[place]))
        order = [places[0], *(place for place in range(len(group)) if place != places[0])]
        for colour, place in enumerate(order):
            found[group[place].number] = Look(names[place], colour % len(VERSIONS))
    return found


def _file_lufs(page_track: PageTrack) -> float:
    lufs = None if page_track.delivered is None else page_track.delivered.integrated_lufs
    return math.inf if lufs is None else lufs


def page_title(title: str, tracks: Sequence[Track], *, hidden: bool = False) -> str:
    """The playlist's title; for bare files what their titles have in common, else the titles themselves,
    unless they must be `hidden` until a vote is over."""
    titles = list(dict.fromkeys(track.title for track in tracks))
    if (title and title != BARE_FILES) or not titles:
        return title or "Listening page"
    if len(titles) == 1:
        return titles[0]
    words = [title.split() for title in titles]
    shared = [column[0] for column in itertools.takewhile(_alike, zip(*words, strict=False))]
    common = " ".join(shared).rstrip(" -–—_(:,")
    if common:
        return common
    if hidden:
        return "Which master?"
    return " · ".join(titles) if len(titles) <= MOST_TITLES else f"{titles[0]} and {len(titles) - 1} more"


def _alike(words: Sequence[str]) -> bool:
    return len({word.casefold() for word in words}) == 1
