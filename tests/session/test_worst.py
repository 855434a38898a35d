"""The worst moments of a pair of versions: gone to in turn, looped, in a montage; and what a trial keeps."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk, session

from simulator.audibility.audibility import Audibility, Hits, Moment, MomentKind
from simulator.session import worst
from simulator.session.effects import FindMoments, Sound
from simulator.session.events import MomentsFound, Replaced, Tick
from simulator.session.session import step
from simulator.session.state import Session

OPEN, CRUSHED = 0, 1
PAIR = (OPEN, CRUSHED)
FOUND = Audibility(
    0.3, -2.0, 4.0, (), Hits(9, 4.1, 3.0), 3.1, None,
    (
        Moment(MomentKind.CHANGE, 24.0, 3.0, 2.0, 2.0, 1820.0, 3040.0),
        Moment(MomentKind.ATTACK, 35.0, 3.0, 9.0, 3.0),
        Moment(MomentKind.PUMPING, 50.0, 3.0, 3.1, 1.55),
    ),
    1.0, (0.0,) * 60, 0.0, tuple(0.5 if 20 <= second < 40 else 0.0 for second in range(60)),
)  # fmt: skip
NOTHING = replace(FOUND, moments=(), share_audible=0.0, strip_share=(0.0,) * 60)


def contents(of: Session) -> dict[int, tuple[str, str]]:
    return {i: (one.path, one.content) for i, one in enumerate(of.tracks)}


def desk(found: Audibility | str | None = FOUND, start: Session | None = None) -> Desk:
    """On the crushed version, 0.25 s behind the open one."""
    made = start or session()
    late = replace(made.tracks[CRUSHED], offset_s=-0.25)
    made = replace(made, tracks=(made.tracks[OPEN], late, *made.tracks[2:]), track=CRUSHED)
    return Desk(made if found is None else replace(made, changes={PAIR: found}))


def test_again_goes_to_the_next_and_round_the_worst_of_each_kind_first() -> None:
    """By severity the attack comes first; the crushed version has each moment 0.25 s later."""
    one = desk()
    said = [one.do("go worst") for _ in range(4)]
    assert "Worst moment 1 of 3, “crushed” against “open”: 0:35.2: hits lose 9.0 dB of attack." in said[0]
    assert "your ears decide" in said[0]
    assert "2 of 3" in said[1]
    assert "0:24.2: the sound changes, most from 1.8 to 3.0 kHz" in said[1]
    assert "the level pumps by 3.1 dB" in said[2]
    assert "your ears decide" not in said[2]
    assert "1 of 3" in said[3]
    assert one.session.place_s == pytest.approx(35.0 + 0.25 - 1.0)
    assert one.session.track == CRUSHED
    one.do("swap")
    assert one.session.place_s == pytest.approx(34.0)  # the same moment of the open version
    assert "0:24.0" in one.do("go worst")


def test_what_is_not_known_yet_is_looked_for_while_the_session_goes_on() -> None:
    one = desk(None)
    assert one.do("go worst") == worst.NOT_YET
    assert one.found(FindMoments) == [FindMoments((PAIR,))]
    assert one.do("go worst") == worst.NOT_YET
    assert not one.found(FindMoments)  # once is enough
    said = one.do(MomentsFound({PAIR: FOUND}, contents(one.session)))
    assert "Worst moment 1 of 3" in said
    assert one.session.motion == "playing"


def test_who_went_elsewhere_meanwhile_is_not_taken_away() -> None:
    one = desk(None)
    one.do("go worst")
    one.do("go 0:10")
    before = one.session.place_s
    assert one.do(MomentsFound({PAIR: FOUND}, contents(one.session))) == ""
    assert (one.session.place_s, one.found(Sound)) == (before, [])
    assert "Worst moment 1 of 3" in one.do("go worst")


def test_a_revision_is_looked_at_anew_and_what_was_found_on_the_old_file_is_dropped() -> None:
    one = desk(None)
    one.do("go worst")
    asked = contents(one.session)
    new = replace(one.session.tracks[CRUSHED], path="/music/new.wav", content="other")
    one.do(Replaced(CRUSHED, new, at="at 2"))
    assert one.do(MomentsFound({PAIR: FOUND}, asked)) == worst.NOT_YET
    assert one.session.changes == {}
    assert one.found(FindMoments)
    known = desk()
    known.do(Replaced(CRUSHED, new, at="at 2"))
    assert known.session.changes == {}


def test_nothing_to_hear_and_nothing_to_compare_are_answers() -> None:
    assert desk(NOTHING).do("go worst") == (
        "No audible change is expected between “open” and “crushed” (a model's estimate). The loudest "
        "passage: go loudest"
    )
    other = desk("They are different performances.").do("montage worst")
    assert other.endswith("They are different performances.")
    alone = desk()
    alone.do("play 3")
    assert (
        alone.do("go worst") == "This song has no other version in the list. The loudest passage: go loudest"
    )


def test_a_loop_stays_at_the_moment_that_was_gone_to() -> None:
    one = desk()
    one.do("go worst")
    one.do("go worst")
    one.do("loop worst")
    span = one.session.passage
    assert (span.start_s, span.end_s) == pytest.approx((24.25 - 1.0, 24.25 + 3.5))
    one.do("swap")
    assert one.session.passage.start_s == pytest.approx(23.0)


def test_a_montage_plays_each_moment_in_both_versions() -> None:
    one = desk()
    assert "LU louder than the one before it" in one.do("montage worst 4")
    said = one.do("y")
    plan = one.session.plan
    assert plan is not None
    assert [span.track for span in plan.spans] == [OPEN, CRUSHED] * 3
    assert [round(span.start_s, 2) for span in plan.spans] == [34.0, 34.25, 23.0, 23.25, 49.0, 49.25]
    assert {round(span.end_s - span.start_s, 3) for span in plan.spans} == {4.0}
    assert "Montage of 3 worst moments, 4 s in “open”, then in “crushed”. Worst moment 1 of 3, 0:35.2" in said
    assert plan.words[5] == "worst moment 3 of 3, 0:50.2: the level pumps by 3.1 dB"
    assert "worst moment 2 of 3" in one.do(Tick(2, 23.0))
    one.do("round worst")
    one.do("y")
    plan = one.session.plan
    assert plan is not None
    assert plan.spans[0].end_s - plan.spans[0].start_s == pytest.approx(5.0)


def test_the_open_version_of_each_song_is_its_least_loud_one() -> None:
    made = session()
    assert worst.pairs(made.tracks) == (PAIR,)
    turned = replace(made, tracks=(made.tracks[1], made.tracks[0], *made.tracks[2:]))
    assert worst.pairs(turned.tracks) == ((1, 0),)
    alone = replace(made, tracks=made.tracks[2:])
    assert worst.pairs(alone.tracks) == ()


def test_a_mark_cannot_take_the_name() -> None:
    assert "already means a position" in desk().do("mark worst")


def test_a_failed_search_is_an_answer_and_not_begun_again() -> None:
    one = desk(None)
    one.do("go worst")
    said = one.do(worst.not_found(one.session, (PAIR,), "The disk is gone."))
    assert said.endswith("The disk is gone.")
    assert not one.found(FindMoments)
    assert step(one.session, MomentsFound({}, {}))[1] == ()
