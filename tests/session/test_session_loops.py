"""A loop belongs to the one who set it: no version that is shorter or begins later may take it away."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk, session, song, view

from simulator.session.events import Replaced, Sound
from simulator.session.plans import SHORTEST_LOOP_S
from simulator.session.track import TrackView

STEPS = [-20.0, -10.0]


def shorter(offset_s: float = 1.0, seconds: float = 30.0) -> TrackView:
    made = view("Song (short)", song(STEPS, -1.0, seconds / 2), song_key="song")
    return replace(made, offset_s=offset_s)


def desk(*others: TrackView) -> Desk:
    """The open version of 60 s, which plays, and others of the song."""
    tracks = (session().tracks[0], *others)
    found = Desk(replace(session(), tracks=tracks))
    found.do("play")
    return found


def looped(found: Desk) -> tuple[int, float, float]:
    assert found.session.plan is not None
    assert found.session.plan.kind == "loop"
    (span,) = found.session.plan.spans
    return span.track, span.start_s, span.end_s


def test_a_version_that_lacks_the_loop_is_refused_and_the_loop_plays_on() -> None:
    """It has the song from 1 s to 31 s; a loop at its last 50 ms would be a buzz of 20 Hz."""
    found = desk(shorter())
    found.do("loop 50 58")
    said = found.do("swap")
    assert said.startswith("“short” has less than half a second of the looped passage.")
    assert not found.found(Sound)
    assert looped(found) == (0, 50.0, 58.0)


@pytest.mark.parametrize(
    ("line", "there"),
    [("loop 28 36", (1, 27.0, 30.0)), ("loop 0 4", (1, 0.0, 3.0)), ("loop 5 9", (1, 4.0, 8.0))],
)
def test_a_version_that_has_a_part_of_the_loop_plays_that_and_the_way_back_is_the_whole(
    line: str, there: tuple[int, float, float]
) -> None:
    found = desk(shorter())
    found.do(line)
    whole = looped(found)
    said = found.do("swap")
    assert looped(found) == there
    assert ("has only part of the loop" in said) == (there[2] - there[1] < whole[2] - whole[1])
    found.do("swap")
    assert looped(found) == whole


def test_a_place_outside_of_the_part_goes_to_its_beginning() -> None:
    found = desk(shorter())
    found.do("loop 28 36")
    found.at(29.5)
    found.do("swap")
    assert [(one.place_s, one.follow) for one in found.found(Sound)] == [(28.5, True)]
    found.do("swap")
    found.at(35.0)
    found.do("swap")
    assert [(one.place_s, one.follow) for one in found.found(Sound)] == [(27.0, False)]


def test_over_three_versions_the_loop_stays_what_was_asked_for() -> None:
    found = desk(shorter(), replace(shorter(-2.0, 50.0), title="Song (third)"))
    found.do("loop 26 34")
    found.do("swap 2")
    found.do("swap 3")
    assert looped(found) == (2, 28.0, 36.0)
    found.do("swap 1")
    assert looped(found) == (0, 26.0, 34.0)


def test_exactly_the_shortest_loop_is_long_enough() -> None:
    found = desk(shorter(1.0, 30.0))
    found.do("loop 30.5 40")
    found.do("swap")
    assert looped(found) == (1, 29.5, 29.5 + SHORTEST_LOOP_S)


def test_a_shorter_revision_under_a_loop_cuts_or_leaves_it_and_says_so() -> None:
    found = desk()
    found.do("loop 20 36")
    said = found.do(Replaced(0, shorter(0.0), at="at 2"))
    assert "“short” has only part of the loop (0:20.0 to 0:30.0); your loop points are kept." in said
    assert said.endswith("The playlist still names the older file.")
    assert looped(found) == (0, 20.0, 30.0)
    said = found.do(Replaced(0, session().tracks[0], at="at 3"))
    assert looped(found) == (0, 20.0, 36.0)
    found.do("loop 50 58")
    said = found.do(Replaced(0, shorter(0.0), at="at 4"))
    assert "Loop cancelled: “short” has less than half a second of the looped" in said
    assert found.session.plan is not None
    assert found.session.plan.kind == "list"


def test_a_shorter_revision_in_a_round_says_which_passage_plays_of_it() -> None:
    found = desk()
    found.do("montage 50 8")
    said = found.do(Replaced(0, shorter(0.0), at="at 2"))
    assert said.split("wav). ")[1].startswith("Now playing 0:22.0 to 0:30.0.")
