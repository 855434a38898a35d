"""The worst moments of a pair of versions: gone to in turn, looped, in a montage; and what a trial keeps."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk, session

from simulator.audibility.audibility import Audibility, Hits, Moment, MomentKind
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import from_gain
from simulator.session import worst
from simulator.session.events import (
    FindMoments,
    Keep,
    MomentsFound,
    Predict,
    Predicted,
    Prepared,
    Replaced,
    Sound,
    Tick,
    Typed,
)
from simulator.session.session import step
from simulator.session.state import Session
from simulator.session.track import PlayedView

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


# --- The residual ------------------------------------------------------------------------------------------


def residual_worked_out(one: Desk) -> str:
    """Both versions' residual 20 LU under them."""
    [asked] = one.found(Predict)
    views = {
        i: PlayedView(
            from_gain(view.played["minus14-headroom"].prediction.decision, quiet(i)), True, f"/r{i}.wav"
        )
        for i, view in enumerate(one.session.tracks[:3])
    }
    return one.do(Predicted(asked.profile, views))


def quiet(track: int) -> Measurement:
    measured = session().tracks[track].delivered
    assert measured is not None
    return measured.with_gain(-20.0)


def test_the_residual_plays_at_its_own_level_and_the_way_back_asks_where_it_is_far_louder() -> None:
    one = desk()
    one.do("go worst")
    assert "playback continues unchanged" in one.do("hear residual")
    said = residual_worked_out(one)
    assert "residual of the versions" in said
    assert (one.session.profile, one.session.state) == ("minus14-headroom+versions", "played")
    [sound] = one.found(Sound)
    source = sound.program.segments[0].source
    assert (source.track, source.lane, source.gain_db) == (CRUSHED, "minus14-headroom+versions", 0.0)
    assert "A residual has no version to match" in one.do("state matched")
    assert "A trial compares music, not a residual." in one.do("trial which 6")
    assert "2 of 3" in one.do("go worst")
    assert "LU louder than what you heard last" in one.do("hear stereo")
    one.do("y")
    assert one.session.profile == "minus14-headroom"
    one.do("hear residual")
    assert one.session.profile == "minus14-headroom+versions"  # known by now
    one.do("hear residual")
    one.do("y")
    assert one.session.profile == "minus14-headroom"


def test_a_revision_ends_the_residual_of_the_old_file() -> None:
    one = desk()
    one.do("play 2")
    one.do("hear residual")
    residual_worked_out(one)
    new = replace(session().tracks[CRUSHED], path="/music/new.wav", content="other")
    one.do(Replaced(CRUSHED, new, at="at 2"))
    assert one.session.profile == "minus14-headroom"
    assert "Preparing the residual" in one.do("hear residual")


def test_without_versions_or_with_a_converter_there_is_no_residual() -> None:
    one = desk()
    one.do("play 3")
    assert "no other version" in one.do("hear residual")
    behind = desk(start=replace(session(), converter=True))
    assert "dac off" in behind.do("hear residual")


# --- Blind trials ------------------------------------------------------------------------------------------


def begun(one: Desk, line: str, answer: str = "y") -> str:
    """The offer of a trial that then begins."""
    one.do("state matched")
    said = one.do(line)
    one.do(Typed(answer, "at 1", 7))
    one.do(Prepared(at="at 2"))
    assert one.session.trial is not None
    return said


def kept(one: Desk, kind: str) -> dict:
    (act,) = [each.act for each in one.found(Keep) if each.act.kind == kind]
    return act.data


def answered(one: Desk, letters: str) -> str:
    """What is said at the end, with A answered in every round."""
    said = ""
    run = one.session.trial
    assert run is not None
    for _ in range(run.trial.plan.rounds):
        for letter in letters:
            one.do(letter)
            for _ in range(12):
                one.at(one.session.place_s + 0.1)
        said = one.do("answer A")
    assert one.session.trial is None
    return said


def test_a_trial_without_a_loop_offers_the_worst_moment_and_w_takes_it() -> None:
    """In the first version's time: the attack at 0:35.0, with 1 s before it and half a second after. Only
    its time is told, not what happens there."""
    one = desk()
    said = begun(one, "trial which 6", "w")
    assert said.endswith("w: the worst moment instead (0:35.0).\nStart? (y/n/w)")
    assert "attack" not in said
    assert one.session.trial is not None
    plan = one.session.trial.trial.plan
    assert (plan.passage_start_s, plan.passage_s) == pytest.approx((34.0, 4.5))
    assert (plan.passage_reason, plan.seed) == ("worst moment 1 of 3", 7)
    assert kept(one, "trial begun")["estimate"]["moments"] == [
        {"at_s": 35.0, "kind": "attack", "amount_db": 9.0}
    ]


def test_yes_takes_the_loudest_passage_as_ever_and_a_loop_is_never_replaced() -> None:
    one = desk()
    begun(one, "trial which 6")
    assert one.session.trial is not None
    assert one.session.trial.trial.plan.passage_reason == "the loudest passage"
    looped = desk()
    looped.do("go worst")
    looped.do("go worst")
    looped.do("loop worst")
    assert "worst moment" not in begun(looped, "trial which 6")
    assert looped.session.trial is not None
    assert looped.session.trial.trial.plan.passage_reason == "your loop"
    assert kept(looped, "trial begun")["estimate"]["moments"][0]["kind"] == "change"
    unknown = desk(None)
    assert "worst" not in begun(unknown, "trial which 6")
    assert "estimate" not in kept(unknown, "trial begun")
    assert "No worst moment of these versions is known" in desk(None).do("trial which 6 worst")


def test_the_estimate_is_kept_beside_the_answers_and_told_at_the_end_only() -> None:
    """0:34 to 0:38.5 is above the mask for half of the time."""
    one = desk()
    begun(one, "trial which 6 worst")
    run = one.session.trial
    assert run is not None
    right = sum(not drawn.x_is_second for drawn in run.trial.draws)
    said = answered(one, "abx")
    assert (
        "The model expected an audible change here (above the mask for 50 % of the loop); you were right "
        f"{right} of 6 times."
    ) in said
    data = kept(one, "trial")
    assert data["estimate"]["share_above_mask"] == pytest.approx(0.5)
    assert (data["estimate"]["open"], data["estimate"]["other"]) == ("Song (open)", "Song (crushed)")
    assert any("The model expected" in line for line in data["result"])


def test_a_preference_is_not_predicted_and_nothing_expected_is_said_too() -> None:
    one = desk(NOTHING)
    begun(one, "trial preference 6 1 2")
    assert "The model expected no audible change here; it does not predict a preference." in answered(
        one, "ab"
    )
    stopped = desk()
    begun(stopped, "trial which 6 worst")
    assert "model" not in stopped.do("trial stop")


def test_moments_that_are_found_during_a_trial_wait_for_its_end() -> None:
    one = desk(None)
    one.do("go worst")
    begun(one, "trial which 6")
    assert one.do(MomentsFound({PAIR: FOUND}, contents(one.session))) == ""
    assert one.session.changes == {}
    assert "Not during a trial" in one.do("go worst")
    one.do("trial stop")
    assert one.session.changes == {PAIR: FOUND}
    assert "Worst moment 1 of 3" in one.do("go worst")
