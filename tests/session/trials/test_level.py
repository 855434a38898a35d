"""A trial rests on the level of the frames that it plays, not on the grid of the series."""

from __future__ import annotations

import pytest
from support.made_session import Desk, session

from simulator.session.events import Aligned, Prepare, Prepared, Sound, Typed
from simulator.session.levels import Span

LINE = "trial preference 2 1 2"


def offered(state: str) -> Desk:
    desk = Desk()
    desk.do(f"state {state}")
    desk.do(LINE)
    desk.do(Typed("y", "at 1", 11))
    return desk


def gains_db(desk: Desk) -> dict[int, float]:
    """What each letter's track plays at, after its lane."""
    found = {}
    for letter in "ab":
        desk.do(letter)
        (sound,) = desk.found(Sound)
        found[sound.program.segments[0].source.track] = sound.program.segments[0].source.gain_db
    return found


def test_matched_versions_play_equally_loud_by_their_own_frames() -> None:
    """The series say −10.0 and −7.2 LUFS on the chorus; the frames −10.6 and −7.0."""
    desk = offered("matched")
    (wanted,) = desk.found(Prepare)
    assert wanted.spans == (Span(0, 20.0, 32.0), Span(1, 20.0, 32.0))
    desk.do(Prepared("", "at 2", (-10.6, -7.0)))
    found = gains_db(desk)
    assert -10.6 + found[0] == pytest.approx(-7.0 + found[1], abs=1e-9)
    before = [session().tracks[i].played["minus14-headroom"].gain_db for i in (0, 1)]
    assert found[0] <= before[0]  # nothing is raised
    assert found[1] <= before[1]
    run = desk.session.trial
    assert run is not None
    assert run.trial.plan.level_difference_lu == pytest.approx(0.0, abs=1e-9)


def test_as_played_the_difference_that_is_told_is_the_measured_one() -> None:
    desk = offered("played")
    gains = [session().tracks[i].played["minus14-headroom"].gain_db for i in (0, 1)]
    desk.do(Prepared("", "at 2", (-10.6, -7.0)))
    run = desk.session.trial
    assert run is not None
    apart = abs((-10.6 + gains[0]) - (-7.0 + gains[1]))
    assert run.trial.plan.level_difference_lu == pytest.approx(apart)
    assert gains_db(desk) == {0: gains[0], 1: gains[1]}


def test_what_was_measured_before_the_versions_moved_is_measured_again() -> None:
    desk = offered("matched")
    desk.do(Aligned({1: -0.05}))
    desk.do(Prepared("", "at 2", (-10.6, -7.0)))
    (again,) = desk.found(Prepare)
    assert again.spans == (Span(0, 20.0, 32.0), Span(1, pytest.approx(20.05), pytest.approx(32.05)))
    assert desk.session.trial is not None
    assert not desk.session.trial.ready
    desk.do(Prepared("", "at 3", (-10.6, -7.0)))
    assert desk.session.trial.ready


def test_without_measured_levels_the_series_hold() -> None:
    measured, unmeasured = offered("matched"), offered("matched")
    measured.do(Prepared("", "at 2", (-10.0, -7.2)))
    unmeasured.do(Prepared("", "at 2"))
    assert gains_db(measured) == pytest.approx(gains_db(unmeasured), abs=1e-6)
