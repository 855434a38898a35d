"""Seconds of tracks become frames of lanes, once and exactly."""

from __future__ import annotations

import pytest

from simulator.deck.interface import DeckProgram, DeckSegment, LaneKey
from simulator.desk.tracks import TrackLanes, deck_program, lane_key
from simulator.dsp.ceiling import LimiterSettings
from simulator.normalizer.chain import ChainSettings
from simulator.session.levels import Source
from simulator.session.plans import Program, Segment

CHAIN = ChainSettings(6.0, LimiterSettings(-1.0, "true", 3.0, 150.0))
TRACKS = {0: TrackLanes("open.wav", {}), 1: TrackLanes("quiet.wav", {"limited": CHAIN})}


@pytest.mark.parametrize(
    ("source", "key"),
    [
        (Source(0, None, -3.0), LaneKey("open.wav")),
        (Source(1, "limited", -2.0), LaneKey("quiet.wav", CHAIN)),
        (Source(1, None, 0.0), LaneKey("quiet.wav")),
    ],
    ids=["gain only: the file's lane", "a limiter: its own lane", "as delivered: the file's lane"],
)
def test_a_source_means_one_lane(source: Source, key: LaneKey) -> None:
    assert lane_key(source, TRACKS) == key


def test_a_player_that_is_not_there_is_a_fault() -> None:
    with pytest.raises(KeyError):
        lane_key(Source(0, "limited", 0.0), TRACKS)


@pytest.mark.parametrize(
    ("rate", "first", "end", "silence"), [(48000, 72000, 96000, 24000), (44100, 66150, 88200, 22050)]
)
def test_a_loop_in_frames_at_the_decks_rate(rate: int, first: int, end: int, silence: int) -> None:
    program = Program((Segment(Source(0, None, -20.0), 1.5, 2.0, True, True, 0.5),), repeat=True)
    assert deck_program(program, TRACKS, rate) == DeckProgram(
        (DeckSegment(LaneKey("open.wav"), first, end, pytest.approx(0.1), True, True, silence),), repeat=True
    )


def test_a_whole_track_ends_where_its_lane_ends_and_no_gain_is_exactly_one() -> None:
    program = Program((Segment(Source(0, None, 0.0), 0.0, None, False, False),))
    assert deck_program(program, TRACKS, 44100).segments[0] == DeckSegment(LaneKey("open.wav"), 0, None, 1.0)
