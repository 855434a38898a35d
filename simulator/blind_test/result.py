"""Result of a finished trial: counts, exact p values and intervals, and the words for them.

A choice counts for the version that played under the letter. No result says that there is no difference: too
few right answers show only that none was shown, beside how often a listener who is right 70 % of the time
would have passed. A preference names how far the levels differed; above 0.2 LU the louder one has an
advantage. Before the last answer there is no result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from simulator.blind_test import statistics
from simulator.blind_test.trial import Trial, TrialPlan
from simulator.common.listening import State
from simulator.common.units import TIE_LU


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


def together(trials: Sequence[Trial]) -> PreferenceResult:
    """All rounds of several finished preference trials of one plan, as one. Its p values are about these
    listeners, not about others. Raises ValueError as `result` does."""
    for trial in trials:
        result(trial)
    draws = tuple(drawn for trial in trials for drawn in trial.draws)
    answers = tuple(answer for trial in trials for answer in trial.answers)
    return _preference(replace(trials[0], draws=draws, answers=answers))


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


HEARD_WORDS: dict[State, str] = {
    "played": "as the player plays them",
    "matched": "level-matched on this passage",
    "delivered": "as delivered",
}
CAUTIONS = (
    "Set the level now and leave it: a level change during the trial would be heard as a change of version.",
    "Take a break after about ten minutes, or when you lose track of what you are listening for.",
    "The program cannot know how loud it is at your ears. For orientation: NIOSH recommends no more than "
    "85 dBA for 8 hours a day. WHO and ITU-T H.870 recommend 80 dBA for 40 hours a week; each 3 dB more "
    "halves the time. Local safety rules apply.",
)
"""Said before a trial begins."""


def plan_sentence(plan: TrialPlan) -> str:
    """What the number of rounds can show, before the first."""
    rounds = plan.rounds
    if plan.kind == "discrimination":
        critical = statistics.critical_correct(rounds)
        if critical is None:
            return (
                f"{_rounds(rounds)} cannot show a difference, even with every answer right. "
                f"At least {statistics.fewest_right()} rounds can."
            )
        caught = _percent(statistics.caught_probability(rounds))
        return (
            f"{_rounds(rounds)}: {critical} right answers show a difference; a listener who is right "
            f"{_percent(statistics.CAUGHT_RATE)} of the time would pass this trial {caught} of the time."
        )
    pairs = len(plan.versions) * (len(plan.versions) - 1) // 2
    critical = statistics.preference_critical(rounds // pairs, statistics.ALPHA / pairs)
    each = "" if pairs == 1 else f", {rounds // pairs} a pair"
    if critical is None:
        return (
            f"{_rounds(rounds)}{each}: too few to show a preference, even if every answer is the same. "
            f"At least {statistics.fewest_preferences(pairs)} can."
        )
    return f"{_rounds(rounds)}{each}: {critical} of {rounds // pairs} for one of two show a preference."


def result_sentences(plan: TrialPlan, found: DiscriminationResult | PreferenceResult) -> list[str]:
    """The result, in reading order, with n, k, p, alpha, sides and seed."""
    if isinstance(found, DiscriminationResult):
        return [_discrimination_words(found), _method(plan, "one-sided")]
    difference = plan.level_difference_lu
    corrected = ", Holm's correction for the number of pairs" if len(found.pairs) > 1 else ""
    return [
        *(_pair(plan.versions, pair, len(found.pairs)) for pair in found.pairs),
        f"Heard {HEARD_WORDS[plan.state]}; the levels differed by {difference:.2f} LU"
        + (": the louder one has an advantage." if difference > TIE_LU else "."),
        _method(plan, f"two-sided{corrected}"),
    ]


def _discrimination_words(found: DiscriminationResult) -> str:
    counts = f"{found.correct} of {found.rounds} right (p = {_p(found.p)})"
    if found.shown:
        return f"{counts}: the listener can tell them apart."
    if found.critical is None:
        return f"{counts}: not shown, and {_rounds(found.rounds).lower()} could not have shown it."
    return (
        f"{counts}: a difference was not shown in {found.rounds} rounds. A listener who is right "
        f"{_percent(statistics.CAUGHT_RATE)} of the time would pass this trial {_percent(found.caught)} of "
        "the time."
    )


def _pair(names: Sequence[str], pair: PairResult, pairs: int) -> str:
    first, second = names[pair.first], names[pair.second]
    for_second = pair.rounds - pair.for_first
    low, high = pair.interval
    p = f"p = {_p(pair.p_holm)}" + (" after Holm's correction" if pairs > 1 else "")
    counts = (
        f"{first} {pair.for_first}, {second} {for_second} of {pair.rounds} ({p}; share of {first} "
        f"between {_percent(low)} and {_percent(high)} with 95 % confidence)"
    )
    if pair.shown:
        return f"{counts}: {first if pair.for_first > for_second else second} was preferred."
    caught = f"{_percent(pair.caught)} of the time" + (", before the correction" if pairs > 1 else "")
    return (
        f"{counts}: a preference was not shown in {pair.rounds} rounds. A listener who prefers one "
        f"{_percent(statistics.CAUGHT_RATE)} of the time would show it {caught}."
    )


def _method(plan: TrialPlan, sides: str) -> str:
    return (
        f"Exact binomial test, {sides}, level {statistics.ALPHA:g}; {_rounds(plan.rounds).lower()}, "
        f"seed {plan.seed}."
    )


def _p(value: float) -> str:
    return "< 0.0001" if value < 0.0001 else f"{value:.4f}"


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _rounds(count: int) -> str:
    return "One round" if count == 1 else f"{count} rounds"
