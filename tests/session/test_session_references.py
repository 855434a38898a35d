"""References: matched to the master on passages of their own, each where it was left, and back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk, session, song, view

from simulator.session.events import Keep, Pressed, Sound
from simulator.session.levels import Span
from simulator.session.state import Session

OPEN, CRUSHED, CALM, DENSE = range(4)
KEY = Pressed("reference")


def list_of_four() -> Session:
    """The song in two versions; a calm reference that is loudest in its last part, and a dense one."""
    start = session()
    others = (
        view("Calm", song([-22.0, -22.0, -15.0], -3.0), "reference"),
        view("Dense", song([-9.0, -8.0, -9.0], 0.0), "reference"),
    )
    return replace(start, tracks=(*start.tracks[:2], *others))


def playing(state: str = "matched") -> Desk:
    desk = Desk(list_of_four())
    desk.do("play 1")
    desk.do(f"state {state}")
    desk.at(24.0)
    return desk


def levels(desk: Desk, spans: list[Span]) -> list[float]:
    found = [desk.session.span_lufs(one) for one in spans]
    return [one for one in found if one is not None]


def test_the_key_goes_round_the_references_and_back_to_the_masters_moment() -> None:
    desk = playing()
    seen = []
    for _ in range(4):
        desk.do(KEY)
        seen.append((desk.session.track, desk.session.place_s))
        assert desk.found(Sound)[0].place_s == desk.session.place_s
        assert not desk.found(Sound)[0].follow
    # the loudest 12 s of each at first
    assert seen == [(CALM, 40.0), (DENSE, 20.0), (OPEN, 24.0), (CALM, 40.0)]


def test_each_goes_on_where_it_was_left() -> None:
    desk = playing()
    desk.do(KEY)
    desk.at(47.3)
    desk.do("swap")  # to the master, which was heard before
    assert (desk.session.track, desk.session.place_s) == (OPEN, 24.0)
    desk.at(25.7)
    desk.do(KEY)
    assert (desk.session.track, desk.session.place_s) == (CALM, 47.3)
    desk.do("go 0:05")
    desk.at(6.1)
    desk.do(Pressed("pick 2"))  # the other version, at the moment at which the master was left
    assert (desk.session.track, desk.session.place_s) == (CRUSHED, 25.7)
    desk.at(26.0)
    desk.do(Pressed("pick 3"))
    assert (desk.session.track, desk.session.place_s) == (CALM, 6.1)
    desk.do("swap")
    assert (desk.session.track, desk.session.place_s) == (CRUSHED, 26.0)


def test_the_other_version_has_the_masters_moment_at_its_own_offset() -> None:
    start = list_of_four()
    moved = replace(start.tracks[CRUSHED], offset_s=0.5)
    desk = Desk(replace(start, tracks=(start.tracks[OPEN], moved, *start.tracks[2:])))
    desk.do("play 1")
    desk.at(24.0)
    desk.do(KEY)
    desk.do("pick 2")
    assert desk.session.place_s == pytest.approx(23.5)


def test_a_loop_stays_with_the_track_that_it_was_set_on() -> None:
    desk = playing()
    desk.do("loop 22 30")
    desk.at(25.0)
    desk.do(KEY)
    assert desk.session.plan is not None
    assert desk.session.plan.spans == (Span(CALM, 40.0, 48.0),)
    desk.do("loop 41 45")
    desk.at(44.0)
    desk.do("swap")
    assert desk.session.plan.spans == (Span(OPEN, 22.0, 30.0),)
    assert desk.session.place_s == 25.0
    desk.do("swap")
    assert desk.session.plan.spans == (Span(CALM, 41.0, 45.0),)
    assert desk.session.place_s == 44.0


@pytest.mark.parametrize("loop", [None, "loop 2 14"])
def test_each_chosen_passage_is_as_loud_as_the_masters_and_nothing_is_raised(loop: str | None) -> None:
    desk = playing()
    if loop is not None:
        desk.do(loop)
    mine = desk.session.passage
    said = desk.do(KEY)
    assert "same level here as “open”" in said
    desk.at(43.0)
    desk.do("go 41")
    calm = desk.session.passage
    desk.do(KEY)
    dense = desk.session.passage
    desk.do(KEY)
    found = levels(desk, [mine, calm, dense])
    assert max(found) - min(found) < 1e-6
    assert min(desk.session.turned_down_db.values()) == 0.0
    # by the made levels: as played, the calm one's passage is −15 LUFS and its own gain
    played = desk.session.tracks[CALM].played[desk.session.profile]
    assert found[1] == pytest.approx(-15.0 + played.gain_db - desk.session.turned_down_db[CALM], abs=1e-6)


def test_the_master_is_as_loud_before_the_first_reference_as_after_it() -> None:
    """What was heard already could not be turned down any more."""
    desk = playing()
    desk.do("go 24")
    before = dict(desk.session.turned_down_db)
    assert {CALM, DENSE} < before.keys()
    desk.do(KEY)
    desk.do("swap")
    assert desk.session.turned_down_db == pytest.approx(before)


def test_in_other_level_modes_nothing_is_matched() -> None:
    desk = playing("played")
    assert "quieter here than “open”" in desk.do(KEY)
    assert not desk.session.turned_down_db


def test_the_master_is_a_moment_for_the_next_session_too() -> None:
    """Nothing played yet: the key begins on the first reference; paused stays paused."""
    desk = Desk(list_of_four())
    desk.do(KEY)
    assert (desk.session.track, desk.session.motion) == (CALM, "playing")
    desk.do("pause")
    desk.do(KEY)
    assert (desk.session.track, desk.session.motion) == (DENSE, "paused")
    desk.do(KEY)
    assert (desk.session.track, desk.session.place_s) == (OPEN, 0.0)


def test_a_list_without_references_says_how_to_name_one() -> None:
    start = list_of_four()
    desk = Desk(replace(start, tracks=start.tracks[:2]))
    assert 'role = "reference"' in desk.do("reference")
    assert not desk.found(Keep)


def test_a_reference_of_the_song_itself_is_a_version() -> None:
    """The mix, say: it has the song's moments."""
    start = list_of_four()
    mix = replace(start.tracks[CALM], song="song")
    desk = Desk(replace(start, tracks=(*start.tracks[:2], mix)))
    desk.do("play 1")
    desk.at(24.0)
    desk.do("pick 3")
    assert desk.session.place_s == 24.0
    assert "has no reference" in desk.do("ref")
