"""The two versions that `compare` compares, and which of them is the loud one."""

from __future__ import annotations

from dataclasses import replace

from simulator.cli.options import say_problems
from simulator.cli.steps.prepare import PreparedPlaylist
from simulator.common.errors import SimulatorError, UsageError
from simulator.engine.compare import VersionPair
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Playlist
from simulator.text.comparison.pair import choose_pair, short_names
from simulator.text.comparison.terms import Names

SONG = "compared"


def as_versions(playlist: Playlist) -> Playlist:
    """Two tracks alone are alternatives: no player would play them as an album of two."""
    if len(playlist.tracks) != 2:
        return playlist
    first, second = playlist.tracks
    song = first.song if first.song is not None and first.song == second.song else SONG
    return replace(playlist, tracks=(replace(first, song=song), replace(second, song=song)))


def chosen_pair(ready: PreparedPlaylist) -> tuple[VersionPair, Names]:
    """The pair (loud, open): two tracks in the order in which they were named; of more, the loudest and the
    least loud version of the first song that has two. Raises UsageError where there is no pair, and the
    error of a version that cannot be read."""
    tracks = ready.tracks
    loud, open_ = (0, 1) if len(tracks) == 2 else _of_many(ready)
    pair = []
    for place in (loud, open_):
        one = tracks[place]
        if one.measurement is None:
            raise one.problem or SimulatorError(f"{one.track.path}: it could not be measured.")
        pair.append((one.track, one.measurement))
    predictions = []
    for row in ready.predictions:
        both = []
        for place in (loud, open_):
            found = row[place]
            if not isinstance(found, Prediction):
                raise found or SimulatorError(f"{tracks[place].track.path}: it could not be played.")
            both.append(found)
        predictions.append((both[0], both[1]))
    (first, measured), (second, other) = pair
    names = Names(*short_names(first, second))
    return VersionPair((first, second), (measured, other), ready.profiles, predictions), names


def _of_many(ready: PreparedPlaylist) -> tuple[int, int]:
    say_problems(one.problem for one in ready.tracks)
    found = choose_pair([(one.track, one.measurement) for one in ready.tracks])
    if found is None or ready.tracks[found[0]].track.song is None:
        raise UsageError(
            "There are no two versions of a song to compare here.",
            "Name two files, or a playlist in which two tracks carry the same song.",
        )

    def loudness(place: int) -> float:
        measured = ready.tracks[place].measurement
        return -100.0 if measured is None or measured.integrated_lufs is None else measured.integrated_lufs

    first, second = found
    return (first, second) if loudness(first) >= loudness(second) else (second, first)
