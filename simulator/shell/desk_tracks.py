"""What does the session know of each track, and how does it learn more? Views made from measurements, other
players worked out, new revisions measured, versions laid over each other.

The first views come from what the command has prepared; the rest is done in the background: everything here
may run in a thread that is not the prompt's, one call at a time, with a cache connection of its own.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import msgspec

from simulator.errors import SimulatorError, UsageError
from simulator.hearing.events import Aligned, Event, Predicted, Replaced
from simulator.hearing.places import Mark
from simulator.hearing.record import Record
from simulator.hearing.state import with_converter
from simulator.hearing.view import PlayedView, TrackView
from simulator.player.playlist import Playlist, title_from_path
from simulator.player.prediction import Prediction, chain_settings, more_than_gain
from simulator.player.profile import Profile
from simulator.player.profile_format import Delivery
from simulator.shell.desk_aligning import Found, Pair
from simulator.shell.desk_decodes import Decodes
from simulator.shell.desk_program import TrackLanes
from simulator.shell.files import read_info
from simulator.shell.predicting import Delivered, deliver, predict
from simulator.shell.store import Store

Predictions = Sequence[Prediction | SimulatorError | None]


def behind_converter(profile: Profile) -> Profile:
    """The same player with a converter behind it that has no headroom (instead of its own, if it has one)."""
    return msgspec.structs.replace(profile, id=with_converter(profile.id), converter_headroom_db=0.0)


def track_views(
    tracks: Sequence[Delivered], profiles: Sequence[Profile], predictions: Sequence[Predictions]
) -> tuple[TrackView, ...]:
    """One view a track, with the players worked out so far (a row of `predictions` for each profile)."""
    views = [_view(one) for one in tracks]
    for profile, row in zip(profiles, predictions, strict=True):
        for index, played in played_views(profile, tracks, row).items():
            views[index] = replace(views[index], played={**views[index].played, profile.id: played})
    return tuple(views)


def played_views(
    profile: Profile, tracks: Sequence[Delivered], predictions: Predictions
) -> dict[int, PlayedView]:
    """The tracks through one player, by number; without those that could not be read."""
    found = {}
    for index, (one, prediction) in enumerate(zip(tracks, predictions, strict=True)):
        if isinstance(prediction, Prediction) and one.measurement is not None:
            own_lane = more_than_gain(profile, prediction.decision, one.measurement)
            found[index] = PlayedView(prediction, own_lane)
    return found


def track_lanes(
    tracks: Sequence[TrackView],
    profiles: Mapping[str, Profile],
    decodes: Mapping[tuple[str, Delivery], str] | None = None,
) -> dict[int, TrackLanes]:
    """What a deck needs to know of each readable track; `decodes` by file and delivery."""
    made = decodes or {}
    return {
        index: TrackLanes(
            view.path,
            {
                name: chain_settings(profiles[name], played.prediction.decision)
                for name, played in view.played.items()
                if played.own_lane and name in profiles
            },
            {
                name: made[view.path, delivery]
                for name in view.played
                if (delivery := _delivery(profiles, name)) is not None and (view.path, delivery) in made
            },
        )
        for index, view in enumerate(tracks)
        if view.delivered is not None
    }


def _delivery(profiles: Mapping[str, Profile], name: str) -> Delivery | None:
    return profiles[name].delivery if name in profiles else None


def remembered_marks(record: Record, tracks: Sequence[TrackView]) -> tuple[Mark, ...]:
    """The marks of earlier sessions on these files, each name where it was set last."""
    places = {view.path: index for index, view in enumerate(tracks)}
    found: dict[str, Mark] = {}
    for act in record.of_kind("mark"):
        name, path, place_s = (act.data.get(key) for key in ("name", "path", "place_s"))
        if isinstance(name, str) and isinstance(path, str) and isinstance(place_s, int | float):
            found.pop(name.casefold(), None)
            if path in places:
                found[name.casefold()] = Mark(name, places[path], float(place_s))
    return tuple(found.values())


def _view(one: Delivered) -> TrackView:
    track = one.track
    return TrackView(
        title=track.title,
        artist=track.artist,
        role=track.role,
        song=track.song,
        album=track.album,
        path=track.path,
        delivered=one.measurement,
        lossy=one.measurement is not None and _lossy(track.path),
        problem=str(one.problem or ""),
        content=one.content,
    )


def _lossy(path: str) -> bool:
    try:
        return read_info(path).lossy
    except SimulatorError:  # known from the cache, gone since: the deck will say so
        return False


class Studio:
    """Carries out what the session asks of the measuring. `open_store` opens the cache in the calling
    thread; `profiles` are those that may be asked for; `worked_out` the ids that the session has;
    `align_pairs` says how the second file of each pair lies against the first (see shell/desk_aligning)."""

    def __init__(
        self,
        playlist: Playlist,
        tracks: Sequence[Delivered],
        profiles: Mapping[str, Profile],
        worked_out: Sequence[str],
        open_store: Callable[[], Store],
        at: Callable[[], str],
        align_pairs: Callable[[Sequence[Pair]], Sequence[Found]],
    ) -> None:
        self._playlist, self._tracks = playlist, list(tracks)
        self._profiles, self._worked_out = dict(profiles), dict.fromkeys(worked_out)
        self._open_store, self._at, self._align_pairs = open_store, at, align_pairs
        self._store: Store | None = None
        self._decodes = Decodes()

    @property
    def decodes(self) -> Mapping[tuple[str, Delivery], str]:
        """What players with an encoded delivery play, by file and delivery."""
        return self._decodes.paths

    def decode(self, profile: Profile) -> None:
        """Has the decodes made that a player gives out. Raises the first thing that went wrong."""
        if profile.delivery is None:
            return
        files = [one.track.path for one in self._tracks if one.measurement is not None]
        self._decodes.make(files, profile.delivery)
        if self._decodes.problems:
            raise self._decodes.problems.pop(0)

    def close(self) -> None:
        """Removes what was made for this session."""
        self._decodes.close()

    def predict(self, profile_id: str) -> list[Event]:
        """The answer to `Predict`."""
        profile = self._profiles[profile_id]
        row = predict([profile], self._tracks, self._playlist.album_reason, self._cache(), 0)[0]
        self.decode(profile)
        self._worked_out[profile_id] = None
        return [Predicted(profile_id, played_views(profile, self._tracks, row))]

    def replace(self, track: int, path: str) -> list[Event]:
        """The answer to `Replace`: the new revision, and what the players worked out so far do to all tracks
        now (an album's gain may change). Raises SimulatorError where it cannot be read."""
        whole = os.path.abspath(os.path.expanduser(path))
        before = self._tracks[track].track
        if not os.path.isfile(whole):
            raise UsageError(f"{whole}: there is no such file.", "Give the path of the new revision.")
        old_name = before.title == title_from_path(before.path)
        title = title_from_path(whole) if old_name else before.title
        new = replace(before, path=whole, title=title, problem="")
        one = deliver(replace(self._playlist, tracks=(new,)), self._cache(), 0)[0]
        if one.problem is not None:
            raise one.problem
        self._tracks[track] = one
        chosen = [self._profiles[name] for name in self._worked_out]
        rows = predict(chosen, self._tracks, self._playlist.album_reason, self._cache(), 0)
        for profile in chosen:
            self.decode(profile)
        view = track_views(self._tracks, chosen, rows)[track]
        events: list[Event] = [Replaced(track, view, at=self._at())]
        for profile, row in zip(chosen, rows, strict=True):
            events.append(Predicted(profile.id, played_views(profile, self._tracks, row)))
        events += self.align(only=new.song) if new.song is not None else []
        return events

    def align(self, only: str | None = None) -> list[Event]:
        """Lays the versions of each song (or of one) over its first readable one."""
        groups: dict[str, list[int]] = {}
        for index, one in enumerate(self._tracks):
            song = one.track.song
            if song is not None and one.measurement is not None and only in (None, song):
                groups.setdefault(song, []).append(index)
        pairs = [(first, other) for first, *others in groups.values() for other in others]
        if not pairs:
            return []
        offsets: dict[int, float] = {}
        words: list[str] = []
        paths = [(self._tracks[first].track.path, self._tracks[other].track.path) for first, other in pairs]
        for (_, other), found in zip(pairs, self._align_pairs(paths), strict=True):
            title = self._tracks[other].track.title
            if isinstance(found, SimulatorError):
                words.append(f"{title} keeps its own times: {found}")
            elif found.offset_s is None:
                words.append(f"{title} keeps its own times: {found.reason}")
            else:
                offsets[other] = -found.offset_s  # where its time 0 lies in the first version's time
                if found.kind == "ambiguous":
                    words.append(f"{title}: {found.reason}")
        return [Aligned(offsets, " ".join(words))]

    def _cache(self) -> Store:
        if self._store is None:
            self._store = self._open_store()
        return self._store
