"""Trials of a log without an end: begun, and the session ended before they did.

"trial begun" holds the whole draw, "trial answer" each answer as it was given, "trial" the end; so a program
that is killed in mid-trial loses the answer in progress at most. A trial without an end may still go on at
another desk, so its words name no version; it gives no result, since it did not run to the round that was
fixed beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simulator.blind_test.trial import Letter, Trial, replay, to_log
from simulator.session.log import Act

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
