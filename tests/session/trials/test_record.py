"""Ballots and votes as acts of a record: through JSON and back, and damaged ones left out."""

from __future__ import annotations

import json

from simulator.blind_test.ballot import Ballot, VoteAnswer, voted
from simulator.blind_test.trial import TrialPlan, draw
from simulator.session.log import (
    Act,
    Record,
    ballot_act,
    ballots,
    from_json,
    has_vote,
    to_json,
    vote_act,
    votes,
)

AT = "2026-01-02T10:00:00+01:00"
PLAN = TrialPlan("preference", ("a", "b"), 4, 2**52 + 1, "matched", 0.01, 1.5, 6.0)
BALLOT = Ballot("abc", PLAN, ("h1", "h2"), draw("preference", 2, 4, PLAN.seed))
GIVEN = VoteAnswer("abc", "ABBA", True, "N", "words")


def test_a_ballot_and_a_vote_come_back_through_json() -> None:
    acts = (ballot_act(AT, BALLOT, "page.html"), vote_act(AT, GIVEN, voted(BALLOT, GIVEN)))
    again = from_json(to_json(Record("title", acts))).acts
    assert ballots(again) == {"abc": BALLOT}
    assert votes(again) == [(GIVEN, voted(BALLOT, GIVEN))]
    assert has_vote(again, GIVEN)
    assert not has_vote(again, VoteAnswer("abc", "ABBA", False, "N", "words"))


def test_a_ballot_from_before_draws_were_kept_still_takes_its_vote() -> None:
    data = {key: one for key, one in ballot_act(AT, BALLOT, "page.html").data.items() if key != "draws"}
    (old,) = ballots([Act(AT, "ballot", data)]).values()
    assert old.draws == ()
    assert voted(old, GIVEN) == voted(BALLOT, GIVEN)


def test_acts_that_are_not_whole_or_do_not_replay_are_left_out() -> None:
    good = vote_act(AT, GIVEN, voted(BALLOT, GIVEN))
    forged = json.loads(json.dumps(good.data))
    first = forged["trial"]["draws"][0]
    first["first"], first["second"] = first["second"], first["first"]
    acts = [Act(AT, "ballot", {}), Act(AT, "vote", {}), Act(AT, "vote", forged), good]
    assert ballots(acts) == {}
    assert votes(acts) == [(GIVEN, voted(BALLOT, GIVEN))]
