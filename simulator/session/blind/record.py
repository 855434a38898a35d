"""Ballots and votes of a page in the session log, as acts of two kinds.

"ballot": a page that asks for a vote was written: its id, its file's name, the trial's plan, the versions'
identities, and the draws. "vote": an answer came back: who, whether the names had been seen first, in which
words, and the whole trial as a log, which replays. Acts are values; reading and writing the record is the
shell's.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec

from simulator.blind_test.ballot import Ballot, VoteAnswer
from simulator.blind_test.trial import Trial, to_log
from simulator.session.log import Act

BALLOT, VOTE = "ballot", "vote"


def ballot_act(at: str, ballot: Ballot, file: str) -> Act:
    """The act of writing a page with a vote; `file` is the page's name."""
    return Act(at, BALLOT, {**msgspec.to_builtins(ballot), "file": file})


def vote_act(at: str, given: VoteAnswer, trial: Trial) -> Act:
    """The act of taking a client's answer."""
    data: dict[str, Any] = msgspec.to_builtins(given)
    return Act(at, VOTE, {**data, "trial": to_log(trial)})


def ballots(acts: Iterable[Act]) -> dict[str, Ballot]:
    """The ballots of a record, by page. An act that is none, though it is called so, is left out."""
    found: dict[str, Ballot] = {}
    for act in acts:
        if act.kind == BALLOT:
            try:
                ballot = msgspec.convert(act.data, Ballot)
            except msgspec.ValidationError:
                continue
            found[ballot.page] = ballot
    return found


def has_vote(acts: Iterable[Act], given: VoteAnswer) -> bool:
    """True where this very answer is in the session file. By the number of the filling, or in all it says
    where it has none."""
    if given.answer:
        return _told(acts, {"page": given.page, "answer": given.answer})
    return has_all_of(acts, given)


def has_all_of(acts: Iterable[Act], given: VoteAnswer) -> bool:
    """True where the session file has a vote that says the same in all, its letters, name and words too."""
    return _told(acts, msgspec.to_builtins(given))


def _told(acts: Iterable[Act], told: dict[str, object]) -> bool:
    return any(
        act.kind == VOTE and all(act.data.get(key, "") == value for key, value in told.items())
        for act in acts
    )
