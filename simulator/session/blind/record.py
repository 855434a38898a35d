"""Trials, ballots and votes in the session log, as acts.

"trial begun" holds the draw, "trial answer" each answer, "trial" the end: a program killed in mid-trial loses
at most the answer in progress. A trial without an end can be continued, so its words name no version, and it
gives no result. "ballot" is a page written with a vote (id, file name, plan, versions, draws); "vote" an
answer that came back: who, whether the names had been seen, in which words, and the trial as a log that
replays.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import msgspec

from simulator.blind_test.ballot import Ballot, VoteAnswer
from simulator.blind_test.trial import Letter, Trial, replay, to_log
from simulator.session.log import Act

BALLOT, VOTE = "ballot", "vote"


def ballot_act(at: str, ballot: Ballot, file: str, tracks: Sequence[dict[str, str]] = ()) -> Act:
    """The act of writing a page with a vote; `file` is the page's name, `tracks` are those that it shows."""
    return Act(at, BALLOT, {**msgspec.to_builtins(ballot), "file": file, "tracks": list(tracks)})


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


def votes(acts: Iterable[Act], page: str = "") -> list[tuple[VoteAnswer, Trial]]:
    """The votes of a session file, or of one page, in order, each replayed; one that does not replay is left
    out."""
    found = []
    for act in acts:
        if act.kind == VOTE and (not page or act.data.get("page") == page):
            try:
                given = msgspec.convert(act.data, VoteAnswer)
                found.append((given, replay(act.data.get("trial") or {})))
            except (msgspec.ValidationError, ValueError):
                continue
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


BEGUN, ANSWER, TRIAL = "trial begun", "trial answer", "trial"
WORDS = "An unfinished blind trial: {given} of {rounds} rounds answered, no result."


def begun_data(trial: Trial) -> dict[str, Any]:
    """What the act that begins a trial says of it; the record is no screen."""
    plan = trial.plan
    return {
        "trial_kind": plan.kind,
        "rounds": plan.rounds,
        "versions": sorted(plan.versions),
        "state": plan.state,
        "trial": to_log(trial),
    }


def answer_act(at: str, trial: Trial, letter: Letter) -> Act:
    """The act of giving an answer; `trial` is the one after it."""
    return Act(at, ANSWER, {"seed": trial.plan.seed, "round": len(trial.answers), "letter": letter})


def unfinished(acts: Sequence[Act]) -> list[tuple[Act, Trial]]:
    """The beginnings without an end, in order, each with the trial as far as it went. Those of earlier
    versions of the program, which kept no draws, and those that do not agree with their own seed are left
    out."""
    found: list[tuple[Act, dict[str, Any]]] = []
    for act in acts:
        log = act.data.get("trial")
        if act.kind == BEGUN and isinstance(log, dict):
            found.append((act, {**log, "answers": []}))
        elif act.kind == TRIAL:
            found = [one for one in found if _seed(one[1]) != _seed(log)]
        elif act.kind == ANSWER and found and _seed(found[-1][1]) == act.data.get("seed"):
            answers = found[-1][1]["answers"]
            if act.data.get("round") == len(answers) + 1:
                answers.append(act.data.get("letter"))
    read = []
    for act, log in found:
        try:
            read.append((act, replay(log)))
        except ValueError:
            continue
    return read


def unfinished_words(trial: Trial) -> str:
    """What may be told of it."""
    return WORDS.format(given=len(trial.answers), rounds=len(trial.draws))


def _seed(log: object) -> object:
    plan = log.get("plan") if isinstance(log, dict) else None
    return plan.get("seed") if isinstance(plan, dict) else None
