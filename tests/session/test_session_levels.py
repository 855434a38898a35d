"""What the session promises of levels where songs, versions, pauses and ears change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.made_measurements import made
from support.made_session import Desk, session, song, view

from simulator.common.units import energy_to_lufs
from simulator.metering.measurement import Series
from simulator.session.acts.level_guard import EAR_RAMP_S
from simulator.session.events import Output, Pressed, Replaced, Resume, Sound
from simulator.session.levels import Span, heard_lufs, matching_db, passage_lufs
from simulator.session.state import Session


def two_songs() -> Session:
    start = session()
    others = (
        view("B (open)", song([-22.0, -14.0, -22.0], -3.0), song_key="b"),
        view("B (crushed)", song([-10.0, -8.0, -10.0], 0.0), song_key="b"),
    )
    return replace(start, tracks=(*start.tracks[:2], *others))


@pytest.mark.parametrize("segment", range(4))
def test_in_a_round_the_versions_of_every_song_are_matched(segment: int) -> None:
    desk = Desk(two_songs())
    desk.do("state matched")
    desk.do("montage loudest 8")
    desk.do("y")
    desk.at(20.5, segment)
    assert desk.session.track == segment
    assert abs(desk.session.difference_lu() or 0.0) <= 0.1


def test_a_swap_matches_the_passage_it_is_made_at() -> None:
    """In the verse the versions are 11 LU apart, in the chorus 2.8."""
    desk = Desk(two_songs())
    desk.do("play 1")
    desk.do("state matched")
    desk.at(24.0)
    assert "same level here as" in desk.do("swap")


def test_the_next_song_of_the_list_is_matched_as_well() -> None:
    desk = Desk(two_songs())
    desk.do("play 1")
    desk.do("state matched")
    desk.at(1.0, 2)
    assert abs(desk.session.difference_lu() or 0.0) <= 0.1
    assert [one.follow for one in desk.found(Sound)] == [True]


@pytest.mark.parametrize(
    "between", [[], ["pause", "pause"], ["mute", "hear stereo", "mute"], ["stop", "play"]]
)
def test_from_the_difference_to_both_channels_it_comes_in_slowly(between: list[str]) -> None:
    desk = Desk()
    desk.do("play")
    desk.do("hear side")
    for line in between:
        desk.do(line)
    if "hear stereo" not in between:
        desk.do("hear stereo")
    assert EAR_RAMP_S in [one.ramp_s for one in desk.found(Sound)]


def test_a_key_that_turns_down_works_while_a_question_is_open() -> None:
    desk = Desk()
    desk.do("play 2")
    desk.do("trim -30")
    desk.do("trim -6")
    desk.do(Pressed("mute"))
    assert desk.found(Output)[0].mute
    assert desk.session.question is not None
    desk.do(Pressed("mute"))  # and nothing gets louder by a key then
    assert desk.effects == ()


def test_a_revision_too_short_for_the_loop_leaves_it_and_says_so() -> None:
    desk = Desk()
    desk.do("play")
    desk.do("loop 50 58")
    desk.at(51.0)
    said = desk.do(Replaced(0, view("Song (open)", song([-18.0, -11.0, -18.0], -1.0, 10.0), song_key="song")))
    (sound,) = desk.found(Sound)
    assert desk.session.plan is not None
    assert desk.session.plan.kind == "list"
    assert len(sound.program.segments) > 1
    assert 29.0 <= sound.place_s < 30.0
    assert "Loop cancelled: “open” has less than half a second of" in said
    assert desk.found(Resume) == []


@pytest.mark.parametrize(("start_s", "end_s", "energy"), [
    (0.1, 0.3, 3.0),  # the grid: steps of energy 2 and 4
    (0.15, 0.25, 3.0),  # half of either
    (0.15, 0.35, 4.5),  # half of 2, 4, and half of 8, in two steps
    (0.12, 0.15, 2.0),  # inside one step
    (-0.2, 0.2, 1.5),  # what lies before the beginning is nothing
    (0.35, 9.0, 8.0),  # and past the end
])  # fmt: skip
def test_a_passage_counts_the_steps_at_its_edges_by_the_part_that_lies_inside(
    start_s: float, end_s: float, energy: float
) -> None:
    found = replace(made(-14.0), series=Series(np.array([1.0, 2.0, 4.0, 8.0]), np.zeros(4, np.float32)))
    assert passage_lufs(found, start_s, end_s) == pytest.approx(energy_to_lufs(energy), abs=1e-9)


def test_a_silent_passage_beside_a_loud_step_is_silent() -> None:
    """0.1 · 3 · 10 is a little more than 3."""
    found = replace(made(-14.0), series=Series(np.array([1.0, 1.0, 0.0, 1.0]), np.zeros(4, np.float32)))
    assert passage_lufs(found, 0.2, 0.1 * 3) is None
    assert passage_lufs(found, 0.4, 0.6) is None


def test_a_mono_version_is_matched_as_it_is_heard_from_both_loudspeakers() -> None:
    """The same wave in one channel and in two: measured 3.01 LU apart, heard alike."""
    mono = view("Song (mono)", replace(made(-20.0), channels=1), song_key="song")
    stereo = view("Song (stereo)", made(-20.0 + 10.0 * np.log10(2.0)), song_key="song")
    tracks = (mono, stereo)
    delivered = [heard_lufs(tracks, Span(i, 5.0, 9.0), "delivered", "untouched", 0.0) for i in (0, 1)]
    assert delivered[0] == pytest.approx(delivered[1], abs=1e-9)
    assert matching_db(tracks, Span(0, 5.0, 9.0), "untouched") == pytest.approx({0: 0.0, 1: 0.0}, abs=1e-9)


def test_versions_that_are_equally_loud_here_have_nothing_to_match() -> None:
    """0.03 LU apart, through a player that leaves both as they are."""
    alike = view("Song (alike)", song([-20.03, -10.03, -20.03], -1.0), song_key="song")
    start = replace(session(), profile="untouched", tracks=(session().tracks[0], alike))
    assert "Nothing to match" in Desk(start).do("state matched")
    other = view("Song (other)", song([-20.3, -10.3, -20.3], -1.0), song_key="song")
    assert (
        Desk(replace(start, tracks=(start.tracks[0], other))).do("state matched").endswith("“open” −0.3 dB.")
    )


def test_a_length_that_cannot_be_taken_shows_an_example_of_its_own_command() -> None:
    assert Desk().do("transitions 500").endswith("got 500. transitions 6")
    assert Desk().do("montage loudest 500").endswith("got 500. montage loudest 12")
