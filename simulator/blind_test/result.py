"""Result of a finished trial: counts, exact p values, intervals; nothing before the last answer.

A choice is counted for the version that sounded under the letter, not for the letter. Discrimination is
right where the answer names the letter whose version X was.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

from simulator.blind_test import statistics
from simulator.blind_test.trial import Trial


@dataclass(frozen=True, slots=True)
class DiscriminationResult:
    """`p` is one-sided; `critical` the least number of right answers that is significant (None where no
    number is); `caught` how likely a listener right 70 % of the time would have reached it."""

    rounds: int
    correct: int
    p: float
    critical: int | None
    caught: float

    @property
    def shown(self) -> bool:
        return self.p < statistics.ALPHA


@dataclass(frozen=True, slots=True)
class PairResult:
    """Two versions: how often the first was liked better; `p` two-sided, `p_holm` corrected for the
    number of pairs; `interval` the 95 % interval of the true share for the first; `caught` how likely a
    listener who prefers one 70 % of the time would have shown it, before the correction."""

    first: int
    second: int
    rounds: int
    for_first: int
    p: float
    p_holm: float
    interval: tuple[float, float]
    caught: float

    @property
    def shown(self) -> bool:
        return self.p_holm < statistics.ALPHA


@dataclass(frozen=True, slots=True)
class PreferenceResult:
    """All pairs, in the plan's order of versions."""

    rounds: int
    pairs: tuple[PairResult, ...]


def result(trial: Trial) -> DiscriminationResult | PreferenceResult:
    """Raises ValueError before the last answer: a running score would steer the listener."""
    if not trial.finished:
        raise ValueError("The trial is not over; there is no result yet.")
    return _discrimination(trial) if trial.plan.kind == "discrimination" else _preference(trial)


def chosen_versions(trial: Trial) -> list[int]:
    """The version that each answer chose (in discrimination: took X for), in order."""
    return [
        drawn.first if letter == "A" else drawn.second
        for drawn, letter in zip(trial.draws, trial.answers, strict=False)
    ]


def _discrimination(trial: Trial) -> DiscriminationResult:
    pairs = zip(trial.draws, trial.answers, strict=True)
    correct = sum((letter == "B") is drawn.x_is_second for drawn, letter in pairs)
    rounds = len(trial.draws)
    return DiscriminationResult(
        rounds,
        correct,
        statistics.guessing_p(correct, rounds),
        statistics.critical_correct(rounds),
        statistics.caught_probability(rounds),
    )


def _preference(trial: Trial) -> PreferenceResult:
    chosen = chosen_versions(trial)
    counted: list[tuple[int, int, int, int]] = []
    for first, second in combinations(range(len(trial.plan.versions)), 2):
        picks = [
            pick
            for drawn, pick in zip(trial.draws, chosen, strict=True)
            if {drawn.first, drawn.second} == {first, second}
        ]
        counted.append((first, second, len(picks), picks.count(first)))
    p_values = [statistics.preference_p(k, n) for _, _, n, k in counted]
    adjusted = statistics.holm(p_values)
    pairs = tuple(
        PairResult(
            first,
            second,
            rounds,
            for_first,
            p,
            p_holm,
            statistics.share_interval(for_first, rounds),
            statistics.preference_caught_probability(rounds),
        )
        for (first, second, rounds, for_first), p, p_holm in zip(counted, p_values, adjusted, strict=True)
    )
    return PreferenceResult(len(trial.draws), pairs)
