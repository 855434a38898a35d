"""End of a trial: the reveal, or no result.

The act "trial" holds the whole trial as a log that replays (plan, seed, draws, answers), and with which
player and trim it was heard. One that was ended before its last answer claims no result.
"""

from __future__ import annotations

from typing import Any

from simulator.blind_test.log import to_log
from simulator.blind_test.result import result
from simulator.blind_test.trial import Trial
from simulator.blind_test.words import result_sentences
from simulator.common.numbers import level
from simulator.common.units import TIE_LU
from simulator.session.acts.words import what_plays
from simulator.session.blind.run import Run
from simulator.session.blind.unfinished import TRIAL
from simulator.session.effects import Effect, Keep, Say
from simulator.session.log import Act
from simulator.session.state import Session

EARLY = "The trial was ended early, after {given} of {rounds} rounds; no result is claimed."


def ended(session: Session, run: Run, at: str) -> tuple[Effect, ...]:
    """The effects of the end; `session` is the one after it."""
    said = sentences(run.trial)
    act = Act(at, TRIAL, _data(session, run, said))
    on = [Say(what_plays(session))] if session.motion == "playing" else []
    return (Keep(act), Say("\n".join(said)), *on)


def sentences(trial: Trial) -> list[str]:
    """The reveal, in reading order."""
    plan, said = trial.plan, []
    if plan.kind == "discrimination":
        first, second = (plan.versions[i] for i in (trial.draws[0].first, trial.draws[0].second))
        said.append(f"A was “{first}”, B was “{second}”.")
    if not trial.finished:
        return [*said, EARLY.format(given=len(trial.answers), rounds=len(trial.draws))]
    said += result_sentences(plan, result(trial))
    if plan.kind == "discrimination" and plan.level_difference_lu > TIE_LU:
        said.append(
            f"The levels differed by {level(plan.level_difference_lu)} LU on this passage: the level alone "
            "may have told them apart."
        )
    return said


def setting(session: Session, run: Run) -> dict[str, Any]:
    """On which files, through which player and at which trim a trial is heard."""
    return {
        "tracks": [
            {"track": i + 1, "title": session.tracks[i].title, "path": session.tracks[i].path}
            for i in run.wanted.tracks
        ],
        "profile": session.profile,
        "converter": session.converter,
        "trim_db": session.trim_db,
    }


def _data(session: Session, run: Run, said: list[str]) -> dict[str, Any]:
    return {
        "trial": to_log(run.trial),
        "ended_early": not run.trial.finished,
        "result": said,
        **setting(session, run),
    }
