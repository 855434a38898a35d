"""Tracks as the session knows them: made from measurements, with the lanes they play from.

A source without a lane is the file itself and a gain; one with a lane is what a player's chain puts out for
this track. Seconds of a track become frames of a lane here and nowhere else. A file that was written over
while the desk is open is reported once; marks of earlier sessions are brought in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from simulator.audio_files.reader import is_lossy
from simulator.common.errors import SimulatorError
from simulator.common.text import as_utf8
from simulator.common.units import db_to_gain, seconds_to_frames
from simulator.deck.interface import DeckProgram, DeckSegment, LaneKey
from simulator.desk.decodes import Decode, Lane
from simulator.engine.predict import MeasuredTrack
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.prediction import Prediction, chain_settings, more_than_gain
from simulator.normalizer.profile import Delivery, Profile
from simulator.session.codec_variants import is_difference
from simulator.session.excerpts import Mark
from simulator.session.levels import Source, Span
from simulator.session.log import Record
from simulator.session.plans import Program, Segment
from simulator.session.provenance import revised
from simulator.session.state import Session
from simulator.session.track import PlayedView, TrackView, versions
from simulator.storage.small_files import Stamp, changed_since, stamp_of

Predictions = Sequence[Prediction | SimulatorError | None]


def track_views(
    tracks: Sequence[MeasuredTrack], profiles: Sequence[Profile], predictions: Sequence[Predictions]
) -> tuple[TrackView, ...]:
    """One view a track, with the players worked out so far (a row of `predictions` for each profile)."""
    views = [view_of(track) for track in tracks]
    for profile, row in zip(profiles, predictions, strict=True):
        for index, played in played_views(profile, tracks, row).items():
            views[index] = replace(views[index], played={**views[index].played, profile.id: played})
    return tuple(views)


def played_views(
    profile: Profile, tracks: Sequence[MeasuredTrack], predictions: Predictions
) -> dict[int, PlayedView]:
    """The tracks through one player, by number; without those that could not be read."""
    views = {}
    for index, (one, prediction) in enumerate(zip(tracks, predictions, strict=True)):
        if isinstance(prediction, Prediction) and one.measurement is not None:
            own_lane = more_than_gain(profile, prediction.decision, one.measurement)
            views[index] = PlayedView(prediction, own_lane)
    return views


def track_lanes(
    tracks: Sequence[TrackView],
    profiles: Mapping[str, Profile],
    decodes: Mapping[Decode, str] | None = None,
) -> dict[int, TrackLanes]:
    """What a deck needs to know of each readable track; `decodes` as `Decodes.paths`."""
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
                name: made[view.path, view.content, delivery, lane_of(name)]
                for name in view.played
                if (delivery := _delivery(profiles, name)) is not None
                and (view.path, view.content, delivery, lane_of(name)) in made
            }
            | {name: played.file for name, played in view.played.items() if played.file},
            view.stamp,
            view.content,
        )
        for index, view in enumerate(tracks)
        if view.delivered is not None
    }


def lane_of(name: str) -> Lane:
    """What of a delivery a player of this id plays."""
    return "difference" if is_difference(name) else "decoded"


def _delivery(profiles: Mapping[str, Profile], name: str) -> Delivery | None:
    return profiles[name].delivery if name in profiles else None


def remembered_marks(record: Record, tracks: Sequence[TrackView]) -> tuple[Mark, ...]:
    """The marks of earlier sessions on these files and their revisions, each name where it was set last."""
    places = {as_utf8(view.path): index for index, view in enumerate(tracks)}
    stands_for = revised(record.acts)
    marks: dict[str, Mark] = {}
    for act in record.of_kind("mark"):
        name, path, place_s = (act.data.get(key) for key in ("name", "path", "place_s"))
        if isinstance(name, str) and isinstance(path, str) and isinstance(place_s, int | float):
            marks.pop(name.casefold(), None)
            if path not in places:
                path = stands_for.get(path, path)
            if path in places:
                text = act.data.get("text", "")
                text = text if isinstance(text, str) else ""
                marks[name.casefold()] = Mark(name, places[path], float(place_s), text)
    return tuple(marks.values())


def view_of(delivered: MeasuredTrack, stamp: Stamp | None = None) -> TrackView:
    """`stamp` is the file's from before it was measured, where it was measured just now."""
    track = delivered.track
    return TrackView(
        title=track.title,
        artist=track.artist,
        role=track.role,
        song=track.song,
        album=track.album,
        path=track.path,
        delivered=delivered.measurement,
        lossy=delivered.measurement is not None and is_lossy(track.path),
        problem=str(delivered.problem or ""),
        content=delivered.content,
        stamp=stamp_of(track.path) if stamp is None else stamp,
    )


class Rewritten:
    """Reports rewritten files, once for each time they are rewritten."""

    def __init__(self) -> None:
        self._reported: set[tuple[str, Stamp | None]] = set()

    def news(self, session: Session, sounds: Callable[[int], bool]) -> Iterator[str]:
        """A sentence for each version of the song that has another file now than the one that was measured.
        `sounds`: is the old one whole in its lane? If not, the lane itself will say what is wrong."""
        for track in versions(session.tracks, session.track):
            view = session.tracks[track]
            if not changed_since(view.path, view.stamp):
                continue
            revision = view.path, stamp_of(view.path)
            if revision in self._reported or not sounds(track):
                continue
            self._reported.add(revision)
            yield (
                f"{view.path} changed on disk. You are still hearing the earlier version; "
                f"replace {track + 1} {view.path} loads the new one."
            )


@dataclass(frozen=True, slots=True)
class TrackLanes:
    """A track's file, the chains of the players that do more to it than a plain gain, by their ids, and
    the decodes that those play whose delivery is encoded; `stamp` and `content` as in `LaneKey`."""

    path: str
    chains: Mapping[str, ChainSettings]
    decodes: Mapping[str, str] = field(default_factory=dict)
    stamp: Stamp | None = None
    content: str = ""


def lane_key(source: Source, tracks: Mapping[int, TrackLanes]) -> LaneKey:
    """The lane that a source means. Raises KeyError for a track or a player that is not there."""
    track = tracks[source.track]
    if source.lane is None:
        return LaneKey(track.path, None, track.stamp, track.content)
    chain = track.chains[source.lane]
    if source.lane in track.decodes:
        return LaneKey(track.decodes[source.lane], chain)
    return LaneKey(track.path, chain, track.stamp, track.content)


def passages(
    sources: Sequence[Source], spans: Sequence[Span], tracks: Mapping[int, TrackLanes], sample_rate: int
) -> list[DeckSegment]:
    """The passages in the lanes of their sources, in frames, before any gain of the source."""
    return [
        DeckSegment(
            lane_key(source, tracks),
            seconds_to_frames(span.start_s, sample_rate),
            seconds_to_frames(span.end_s, sample_rate),
        )
        for source, span in zip(sources, spans, strict=True)
    ]


def deck_program(program: Program, tracks: Mapping[int, TrackLanes], sample_rate: int) -> DeckProgram:
    """The program in frames at the deck's rate."""
    return DeckProgram(
        tuple(_segment(segment, tracks, sample_rate) for segment in program.segments), repeat=program.repeat
    )


def _segment(segment: Segment, tracks: Mapping[int, TrackLanes], sample_rate: int) -> DeckSegment:
    return DeckSegment(
        lane_key(segment.source, tracks),
        seconds_to_frames(segment.start_s, sample_rate),
        None if segment.end_s is None else seconds_to_frames(segment.end_s, sample_rate),
        db_to_gain(segment.source.gain_db) if segment.source.gain_db else 1.0,
        segment.fade_in,
        segment.fade_out,
        seconds_to_frames(segment.silence_after_s, sample_rate),
    )
