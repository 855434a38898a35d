"""Curves of the stage: levels as they play now, in the time of the version that plays, worked out once."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from support.fake_player import FakePlayer
from support.made_session import Desk, session

from simulator.audibility.audibility import Audibility, Hits, Moment, MomentKind
from simulator.deck.interface import Now
from simulator.desk.live_view import DeskStage, bar_of
from simulator.metering.meter import Reading
from simulator.session.state import Session
from simulator.text.desk.stage import Stage, stage_lines

COLUMNS = 60
VERSE, CHORUS = 20, 60
"""Half cells inside the first verse and the chorus, of two a second."""


def looked(now: Session, kept: DeskStage | None = None) -> Stage:
    bar = bar_of(now, FakePlayer("device"), Now(playing=True), Reading(), 0)
    return (kept or DeskStage()).look(now, bar, COLUMNS)


def levels(shown: Stage, at: int) -> list[float]:
    return [round(one.values[at] or 0.0, 1) for one in shown.curves]


def test_the_curves_are_those_of_the_level_mode() -> None:
    """As delivered the verses are at −20 and −9, the choruses at −10 and −7.2 LUFS; the player turns the
    second version down by 5.7 dB; matched on the verse it is at −20."""
    desk = Desk()
    desk.do("state delivered")
    desk.do("play 1")
    found = looked(desk.session)
    assert (levels(found, VERSE), levels(found, CHORUS)) == ([-20.0, -9.0], [-10.0, -7.2])
    scale = found.low_lufs, found.high_lufs
    desk.do("state played")
    found = looked(desk.session)
    assert (levels(found, VERSE), levels(found, CHORUS)) == ([-20.0, -14.7], [-10.0, -12.9])
    desk.do("state matched")
    found = looked(desk.session)
    assert levels(found, VERSE) == [-20.0, -20.0]
    assert [one.playing for one in found.curves] == [True, False]
    # the curves move, the scale does not
    assert (found.low_lufs, found.high_lufs) == pytest.approx(scale, abs=0.5)


def test_a_version_that_begins_later_is_drawn_in_the_time_of_the_one_that_plays() -> None:
    first, second, *others = session().tracks
    late = replace(second, offset_s=-3.0)  # its time 0 is 3 s before the first one's
    start = replace(session(), tracks=(first, late, *others), state="delivered")
    found = looked(start)
    louder = [i for i, value in enumerate(found.curves[1].values) if (value or -99.0) > -8.0]
    assert louder[0] == pytest.approx(2 * (20.0 - 3.0), abs=1)


def test_marks_loop_loudest_and_quietest_are_where_the_session_has_them() -> None:
    desk = Desk()
    desk.do("play 1")
    desk.at(15.0)
    desk.do("mark hook")
    desk.do("loop 30 36")
    found = looked(desk.session)
    assert found.marks == pytest.approx((0.25,))
    assert found.loop == pytest.approx((0.5, 0.6))
    assert found.loudest == pytest.approx(26.0 / 60.0, abs=0.11)
    assert found.quietest is not None
    assert not 1 / 3 < found.quietest < 2 / 3


def test_worst_moments_are_where_the_version_that_plays_has_them_once_they_are_known() -> None:
    first, second, *others = session().tracks
    late = replace(second, offset_s=-3.0)
    start = replace(session(), tracks=(first, late, *others), track=1)
    kept = DeskStage()
    assert looked(start, kept).worst == ()
    pumps = Moment(MomentKind.PUMPING, 30.0, 3.0, 3.0, 1.5)
    found = Audibility(0.1, 0.0, 3.0, (), Hits(0, None, None), None, None, (pumps,), 1.0, ())
    known = replace(start, changes={(0, 1): found})
    assert looked(known, kept).worst == pytest.approx(((30.0 + 3.0 + 1.25) / 60.0,))
    assert looked(replace(known, track=0), kept).worst == pytest.approx(((30.0 + 1.25) / 60.0,))


def test_it_is_worked_out_when_something_changes_and_drawing_ten_times_a_second_costs_little() -> None:
    desk, kept = Desk(), DeskStage()
    desk.do("play 1")
    first = looked(desk.session, kept)
    desk.at(3.0)
    again = looked(desk.session, kept)
    assert again.curves is first.curves
    assert again.bar.place_s == 3.0
    desk.do("swap")
    assert looked(desk.session, kept).curves is not first.curves
    begun = time.process_time()
    for tick in range(20):
        desk.at(3.0 + tick)
        stage_lines(looked(desk.session, kept), 80, 10)
    assert (time.process_time() - begun) / 20 < 0.02  # a fifth of a tick; measured: 1 to 2 ms
