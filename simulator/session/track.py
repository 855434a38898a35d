"""Tracks of a session: measured and decided elsewhere, passed in as values.

Conventions: levels as in `metering/measurement`; `offset_s` is where a version's time 0 lies in the time of
the first version of its song (0 until they are aligned), so that t in one is t − offset_s in the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction


@dataclass(frozen=True, slots=True)
class PlayedView:
    """A track through one player. `own_lane` says that the player does more to it than a plain gain; `file`
    is what plays instead of the track's own one."""

    prediction: Prediction
    own_lane: bool
    file: str = ""

    @property
    def gain_db(self) -> float:
        return self.prediction.decision.gain_db

    @property
    def measured(self) -> Measurement:
        return self.prediction.played


@dataclass(frozen=True)
class TrackView:
    """One entry of the list. `delivered` is None where it cannot be read, and `problem` then says why.
    `played` holds the players worked out so far, by their ids; `content` is the hash of its samples, "" where
    it is not known; `stamp` what the disk said of the file when it was measured (size in bytes, time of the
    last change in ns, inode)."""

    title: str
    artist: str
    role: str
    song: str | None
    album: str | None
    path: str
    delivered: Measurement | None
    played: Mapping[str, PlayedView] = field(default_factory=dict)
    offset_s: float = 0.0
    lossy: bool = False
    content: str = ""
    problem: str = ""
    stamp: tuple[int, int, int] | None = None

    @property
    def duration_s(self) -> float:
        return 0.0 if self.delivered is None else self.delivered.duration_s

    @property
    def mono(self) -> bool:
        return self.delivered is not None and self.delivered.channels == 1

    @property
    def version(self) -> str:
        """The version's name: the last brackets of the title, else the whole title."""
        if self.title.endswith(")") and "(" in self.title:
            return self.title[self.title.rindex("(") + 1 : -1].strip() or self.title
        return self.title


def versions(tracks: tuple[TrackView, ...], track: int) -> tuple[int, ...]:
    """The readable versions of a track's song, itself among them, in the list's order."""
    song = tracks[track].song
    if song is None:
        return (track,)
    return tuple(i for i, view in enumerate(tracks) if view.song == song and view.delivered is not None)


def references(tracks: tuple[TrackView, ...]) -> tuple[int, ...]:
    """The readable references, in the list's order, but for those that are a version of a master's song."""
    songs = {track.song for track in tracks if track.role != "reference" and track.song is not None}
    return tuple(
        i
        for i, view in enumerate(tracks)
        if view.role == "reference" and view.delivered is not None and view.song not in songs
    )


def shift_between_s(tracks: tuple[TrackView, ...], track: int, other: int) -> float:
    """What is added to a time of one track for the same moment in the other: 0 for tracks of other songs."""
    if tracks[track].song is None or tracks[track].song != tracks[other].song:
        return 0.0
    return tracks[track].offset_s - tracks[other].offset_s


def same_moment_s(tracks: tuple[TrackView, ...], track: int, place_s: float, other: int) -> float:
    """A place of one track as a place of another, held inside it: the same moment of the song for its
    versions, the same time for other tracks."""
    moved = place_s + shift_between_s(tracks, track, other)
    return min(max(moved, 0.0), max(tracks[other].duration_s - 0.05, 0.0))
