"""Blind trial as values: its plan, its draw, its answers, and a log that anyone can check later.

*Preference*: each round offers two versions as A and B; which is better liked? *Discrimination*: X is A or B;
which? Rounds and seed are fixed beforehand, an answer counts only once every letter of the round was heard,
and nothing is revealed before the last one: a screen draws from `show`, which does not know the draw.

Draw: in a discrimination A and B are drawn once, X independently each round. In a preference every pair comes
equally often in random order, and each version is A in half of its rounds. Bits are PCG64's raw output, whose
stream is fixed by its authors; the log keeps the draws as well. Replaying a log repeats the steps and
compares the draws; a log that contradicts itself is refused. Conventions: versions count from 0, rounds on
the screen from 1. Source: ITU-R BS.1534-3, section 5.3 (switching, looping); rounds fixed beforehand and X
drawn afresh each round: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Literal, TypeVar

import msgspec
import numpy as np

from simulator.common.listening import State

Letter = Literal["A", "B", "X"]
TrialKind = Literal["preference", "discrimination"]

MOST_ROUNDS = 200
T = TypeVar("T")
_WORD = 1 << 64
MATCHED_WITHIN_LU = 0.1
"""How closely the versions are matched on the passage; common practice ±0.1 dB (from memory)."""


@dataclass(frozen=True, slots=True)
class Round:
    """One round: the versions under A (`first`) and B (`second`), and in discrimination which is X."""

    first: int
    second: int
    x_is_second: bool = False


@dataclass(frozen=True, slots=True)
class TrialPlan:
    """What is fixed before the first round. `versions` names them for the log (two for discrimination,
    two to four for preference); `state` is what is heard, "played" or "matched"; `level_difference_lu`
    is the greatest difference of their loudness on the passage, as they sound in the trial."""

    kind: TrialKind
    versions: tuple[str, ...]
    rounds: int
    seed: int
    state: State
    level_difference_lu: float
    passage_start_s: float
    passage_s: float
    passage_reason: str = ""


@dataclass(frozen=True, slots=True)
class Trial:
    """A trial under way: its plan, its draws, the answers so far, and what was heard in this round."""

    plan: TrialPlan
    draws: tuple[Round, ...]
    answers: tuple[Letter, ...] = ()
    heard: frozenset[str] = frozenset()

    @property
    def finished(self) -> bool:
        return len(self.answers) == len(self.draws)


@dataclass(frozen=True, slots=True)
class TrialScreen:
    """All that may be shown before the end: the same for every draw."""

    kind: TrialKind
    round_number: int
    rounds: int
    letters: tuple[Letter, ...]
    heard: tuple[Letter, ...]
    finished: bool


def problem_of(plan: TrialPlan) -> str:
    """Why a plan cannot be carried out, as a sentence; empty where it can."""
    count = len(plan.versions)
    if plan.kind == "discrimination" and count != 2:
        return f"A trial for X compares two versions, got {count}."
    if not 2 <= count <= 4:
        return f"A preference trial compares two to four versions, got {count}."
    if len(set(plan.versions)) != count:
        return "Two versions have the same name."
    pairs = count * (count - 1) // 2
    if not 1 <= plan.rounds <= MOST_ROUNDS:
        return f"A trial has 1 to {MOST_ROUNDS} rounds, got {plan.rounds}."
    if plan.rounds % pairs:
        below = plan.rounds - plan.rounds % pairs
        near = f"{below} or {below + pairs}" if below else f"{pairs}"
        return (
            f"{count} versions make {pairs} pairs, each played equally often: choose {near} rounds, not "
            f"{plan.rounds}."
        )
    return ""


def begin(plan: TrialPlan) -> Trial:
    """The trial before its first round. Raises ValueError where `problem_of` the plan is not empty."""
    problem = problem_of(plan)
    if problem:
        raise ValueError(problem)
    return Trial(plan, draw(plan.kind, len(plan.versions), plan.rounds, plan.seed))


def show(trial: Trial) -> TrialScreen:
    """What a screen may show of a trial that goes on."""
    discrimination = trial.plan.kind == "discrimination"
    letters: tuple[Letter, ...] = ("A", "B", "X") if discrimination else ("A", "B")
    heard = tuple(letter for letter in letters if letter in trial.heard)
    return TrialScreen(
        kind=trial.plan.kind,
        round_number=min(len(trial.answers) + 1, len(trial.draws)),
        rounds=len(trial.draws),
        letters=letters,
        heard=heard,
        finished=trial.finished,
    )


def version_of(trial: Trial, letter: Letter) -> int:
    """Which version sounds under a letter in this round: for the deck, never for the screen. Raises
    ValueError for a letter that is not offered, or after the last round."""
    if trial.finished:
        raise ValueError("The trial is over.")
    if letter not in show(trial).letters:
        raise ValueError(f"There is no {letter} in this trial.")
    drawn = trial.draws[len(trial.answers)]
    if letter == "X":
        return drawn.second if drawn.x_is_second else drawn.first
    return drawn.first if letter == "A" else drawn.second


def hear(trial: Trial, letter: Letter) -> Trial:
    """The trial after a letter has sounded. Raises ValueError as `version_of`."""
    version_of(trial, letter)
    return replace(trial, heard=trial.heard | {letter})


def refusal(trial: Trial, letter: str) -> str:
    """Why this answer cannot be taken now, as a sentence; empty where it can."""
    screen = show(trial)
    if screen.finished:
        return "The trial is over."
    if letter not in ("A", "B"):
        return "Answer A or B."
    missing = [letter for letter in screen.letters if letter not in screen.heard]
    return f"Play {' and '.join(missing)} first: you can answer once you have heard all." if missing else ""


def answer(trial: Trial, letter: Letter) -> Trial:
    """The trial after an answer, at the next round. Raises ValueError where `refusal` is not empty."""
    problem = refusal(trial, letter)
    if problem:
        raise ValueError(problem)
    return replace(trial, answers=(*trial.answers, letter), heard=frozenset())


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
        raise ValueError(f"This is not a trial log: {problem}") from None
    trial = begin(read.plan)
    if trial.draws != read.draws:
        raise ValueError("The draws in this log are not those of its seed.")
    for letter in read.answers:
        for one in show(trial).letters:
            if not trial.finished:
                trial = hear(trial, one)
        trial = answer(trial, letter)
    return trial


def draw(kind: TrialKind, versions: int, rounds: int, seed: int) -> tuple[Round, ...]:
    """The rounds of a trial; `seed` is 0 or more. In preference `rounds` is a multiple of the number of
    pairs (`trial.problem_of` sees to it)."""
    chance = _Chance(seed)
    if kind == "discrimination":
        first = chance.below(2)
        return tuple(Round(first, 1 - first, chance.below(2) == 1) for _ in range(rounds))
    pairs = list(combinations(range(versions), 2))
    each = rounds // len(pairs)
    drawn = []
    for low, high in pairs:
        swapped = [False] * (each // 2) + [True] * (each // 2)
        if each % 2:
            swapped.append(chance.below(2) == 1)
        drawn += [Round(high, low) if swap else Round(low, high) for swap in swapped]
    return tuple(chance.shuffled(drawn))


class _Chance:
    """Fair draws from one seed."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.PCG64(seed)

    def below(self, count: int) -> int:
        """One of 0 … count − 1, each equally likely: words past the last whole multiple are drawn again."""
        limit = _WORD - _WORD % count
        while True:
            word = int(self._bits.random_raw())
            if word < limit:
                return word % count

    def shuffled(self, items: list[T]) -> list[T]:
        """Every order equally likely (Fisher and Yates)."""
        out = list(items)
        for place in range(len(out) - 1, 0, -1):
            other = self.below(place + 1)
            out[place], out[other] = out[other], out[place]
        return out
