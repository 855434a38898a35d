"""The versions of a song that `compare` sets side by side, and which two of them its sentences are about."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

from simulator.cli.options import say_problems, warn
from simulator.cli.steps.prepare import PreparedPlaylist
from simulator.common.errors import SimulatorError, UsageError
from simulator.common.text import whole_number
from simulator.engine.compare import VersionPair
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Playlist, Track
from simulator.text.comparison.delivered import Names
from simulator.text.short_names import short_names

SONG = "compared"
MOST_VERSIONS, LONGEST_NAME = 6, 16


def as_versions(playlist: Playlist, most: int = 2) -> Playlist:
    """Two tracks alone are alternatives: no player would play them as an album of two. So are up to `most`
    of which none names a song."""
    tracks = playlist.tracks
    songs = {track.song for track in tracks}
    if not 2 <= len(tracks) <= most or (len(tracks) > 2 and songs != {None}):
        return playlist
    song = next(iter(songs)) if len(songs) == 1 else None
    return replace(playlist, tracks=tuple(replace(track, song=song or SONG) for track in tracks))


@dataclass(frozen=True, slots=True)
class SongVersion:
    """One version of the song, measured, with what each player makes of it."""

    name: str
    track: Track
    measured: Measurement
    predictions: tuple[Prediction, ...]


@dataclass(frozen=True, slots=True)
class SongVersions:
    """All versions in their order, and the places of the pair: `loud` is the louder of the two. `turned`: on
    the command line the two were named the other way round."""

    all: tuple[SongVersion, ...]
    loud: int
    open: int
    turned: bool

    @property
    def names(self) -> Names:
        return Names(self.all[self.loud].name, self.all[self.open].name)

    @property
    def further(self) -> list[int]:
        """The places of those outside the pair."""
        return [place for place in range(len(self.all)) if place not in (self.loud, self.open)]

    def pair(self, ready: PreparedPlaylist, loud: int | None = None) -> VersionPair:
        """The pair, or another version (by place) in the part of the loud one, against the same open one."""
        first, second = self.all[self.loud if loud is None else loud], self.all[self.open]
        both = zip(first.predictions, second.predictions, strict=True)
        return VersionPair(
            (first.track, second.track), (first.measured, second.measured), ready.profiles, list(both)
        )


def chosen_versions(ready: PreparedPlaylist, in_order: bool, against: str, names: str) -> SongVersions:
    """The versions of the first song that has two. `in_order`: they are files of the command line, so the
    first one is held against the second; otherwise the loudest against the least loud. `against` names the
    second one instead, `names` their short names. Raises UsageError, and the error of a version that cannot
    be read."""
    places = _song(ready)
    versions = []
    for place in places:
        one, played = ready.tracks[place], [row[place] for row in ready.predictions]
        if one.measurement is None:
            raise one.problem or SimulatorError(f"{one.track.path}: could not be measured.")
        predictions = [found for found in played if isinstance(found, Prediction)]
        if len(predictions) < len(played):
            failed = next(found for found in played if not isinstance(found, Prediction))
            raise failed or SimulatorError(f"{one.track.path}: could not be played.")
        versions.append(SongVersion("", one.track, one.measurement, tuple(predictions)))
    called = _names(names, [version.track.title for version in versions])
    versions = [replace(one, name=name) for one, name in zip(versions, called, strict=True)]
    second = _named(against, versions) if against else 1 if in_order else _loudness(versions)[0]
    order = [place for place in _loudness(versions)[::-1] if place != second]
    first = next(place for place in range(len(versions)) if place != second) if in_order else order[0]
    louder = _lufs(versions[first]) >= _lufs(versions[second])
    loud, open_ = (first, second) if louder else (second, first)
    sounding = all(versions[place].measured.integrated_lufs is not None for place in (loud, open_))
    return SongVersions(tuple(versions), loud, open_, in_order and not louder and sounding)


def _song(ready: PreparedPlaylist) -> list[int]:
    """The places of the versions; the tracks of a list of two, whatever they are."""
    tracks = ready.tracks
    one_song = {track.track.song for track in tracks} == {tracks[0].track.song} != {None}
    if one_song and 1 < len(tracks) <= MOST_VERSIONS:
        return list(range(len(tracks)))
    say_problems(track.problem for track in tracks)
    songs: dict[str, list[int]] = {}
    for place, one in enumerate(tracks):
        if one.track.song is not None and one.measurement is not None:
            songs.setdefault(one.track.song, []).append(place)
    found = next((places for places in songs.values() if len(places) > 1), [])
    if not found:
        raise UsageError(
            "Nothing to compare.",
            "Give two files, or a playlist with two tracks that share the same `song` key.",
        )
    if len(found) > MOST_VERSIONS:
        warn(f"The first {MOST_VERSIONS} of {len(found)} versions are compared.")
    return found[:MOST_VERSIONS]


def _names(given: str, titles: Sequence[str]) -> Sequence[str]:
    if not given:
        return short_names(titles, LONGEST_NAME)
    called = [name.strip() for name in given.split(",")]
    if (
        len(called) != len(titles)
        or not all(called)
        or len({name.casefold() for name in called}) < len(called)
    ):
        raise UsageError(
            f"--names {given}: {len(titles)} different names are needed, one a version.",
            f"For example --names {','.join(short_names(titles))}.",
        )
    return called


def _named(word: str, versions: Sequence[SongVersion]) -> int:
    """The place of the version that --against names: by its short name, its number, or its file."""
    number = whole_number(word)
    for place, one in enumerate(versions, 1):
        if word.casefold() in (one.name.casefold(), one.track.title.casefold()) or number == place:
            return place - 1
        if os.path.abspath(word) == one.track.path or word == os.path.basename(one.track.path):
            return place - 1
    known = ", ".join(f"{place} {one.name}" for place, one in enumerate(versions, 1))
    raise UsageError(f"--against {word}: no such version.", f"Give a name, a number or a file of: {known}.")


def _lufs(version: SongVersion) -> float:
    loudness = version.measured.integrated_lufs
    return -200.0 if loudness is None else loudness


def _loudness(versions: Sequence[SongVersion]) -> list[int]:
    """Places from the least loud version to the loudest."""
    return sorted(range(len(versions)), key=lambda place: _lufs(versions[place]))
