"""Log of a trial that anyone can check later: its plan, every draw and every answer.

A log is a plain mapping that JSON can hold. Replaying plays the answers again through the same steps and
compares the draws with those that the seed gives; a log that does not agree with itself is refused.
"""

from __future__ import annotations

from typing import Any

import msgspec

from simulator.blind_test.draw import Round
from simulator.blind_test.trial import Letter, Trial, TrialPlan, answer, begin, hear, show


class TrialLog(msgspec.Struct, frozen=True, forbid_unknown_fields=False):
    """A trial as it is kept. `draws` has what sounded under A and B (and whether X was B)."""

    plan: TrialPlan
    draws: tuple[Round, ...]
    answers: tuple[Letter, ...]


def to_log(trial: Trial) -> dict[str, Any]:
    """The log of a trial, whole or broken off."""
    made: dict[str, Any] = msgspec.to_builtins(TrialLog(trial.plan, trial.draws, trial.answers))
    return made


def replay(log: dict[str, Any]) -> Trial:
    """The trial that a log tells of. Raises ValueError, with what is wrong, where the log is no trial or
    does not agree with its own seed."""
    try:
        read = msgspec.convert(log, TrialLog)
    except msgspec.ValidationError as problem:
        raise ValueError(f"This is no log of a trial: {problem}") from None
    trial = begin(read.plan)
    if trial.draws != read.draws:
        raise ValueError("The draws in this log are not those of its seed.")
    for letter in read.answers:
        for one in show(trial).letters:
            if not trial.finished:
                trial = hear(trial, one)
        trial = answer(trial, letter)
    return trial
