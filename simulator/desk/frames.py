"""Frames of lanes for the session's seconds of tracks: the one place where the two meet.

A source without a lane is the file itself, with the gain as a number; one with a lane (a player's id) is
what that player's chain puts out for this track, gain and all, with what comes after it as a number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from simulator.common.units import db_to_gain, seconds_to_frames
from simulator.deck.program import DeckProgram, DeckSegment, LaneKey
from simulator.normalizer.chain import ChainSettings
from simulator.session.levels import Span
from simulator.session.sound import Program, Segment, Source
from simulator.storage.file_stamp import Stamp


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
        tuple(_segment(one, tracks, sample_rate) for one in program.segments), repeat=program.repeat
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
