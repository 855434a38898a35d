"""Exact tests: the probability of a result by chance alone.

Discrimination is tested one-sided (more right answers than guessing gives), preference two-sided (either
version may win); the chance of one round is 1/2. Confidence intervals are those of Clopper and Pearson.
Several pairs are corrected by Holm's rule (S. Holm, "A simple sequentially rejective multiple test
procedure", Scand. J. Statistics 6, 1979; from memory). Critical values follow from the binomial
distribution. Tails of fair rounds are whole numbers over a power of two, and rounded once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

ALPHA = 0.05
CAUGHT_RATE = 0.7
"""The hit rate for which a result that shows nothing says how likely it would have been caught."""


def guessing_p(correct: int, rounds: int) -> float:
    """P(at least `correct` of `rounds` right) for a guesser; one-sided."""
    ways: int = sum(math.comb(rounds, hits) for hits in range(correct, rounds + 1))
    return ways / (1 << rounds)


def critical_correct(rounds: int, alpha: float = ALPHA) -> int | None:
    """The least number of right answers with P < alpha by guessing; None where even all are too few."""
    return next((correct for correct in range(rounds + 1) if guessing_p(correct, rounds) < alpha), None)


def caught_probability(rounds: int, hit_rate: float = CAUGHT_RATE) -> float:
    """How likely a listener with this true hit rate reaches the critical number (the test's power)."""
    critical = critical_correct(rounds)
    return 0.0 if critical is None else _at_least(critical, rounds, hit_rate)


def preference_p(chosen: int, rounds: int) -> float:
    """P(a split at least as uneven as this) where neither is preferred; two-sided."""
    return min(1.0, 2.0 * guessing_p(max(chosen, rounds - chosen), rounds))


def preference_critical(rounds: int, alpha: float = ALPHA) -> int | None:
    """The least number of choices for one of two that is significant; None where even all are too few."""
    return next((k for k in range(rounds // 2, rounds + 1) if preference_p(k, rounds) < alpha), None)


def fewest_right() -> int:
    """The least number of rounds of a discrimination trial that can be significant at all."""
    return next(rounds for rounds in range(1, 200) if critical_correct(rounds) is not None)


def fewest_preferences(pairs: int) -> int:
    """The least number of rounds that can show a preference at all, with every answer of a pair alike and
    the pairs equally often, after Holm's correction."""
    enough = (each for each in range(1, 200) if preference_p(each, each) < ALPHA / pairs)
    return pairs * next(enough)


def preference_caught_probability(rounds: int) -> float:
    """How likely a listener who prefers one at `CAUGHT_RATE` gives a significant result for it."""
    critical = preference_critical(rounds)
    return 0.0 if critical is None else _at_least(critical, rounds, CAUGHT_RATE)


def share_interval(chosen: int, rounds: int, confidence: float = 0.95) -> tuple[float, float]:
    """The exact confidence interval of the true share, from `chosen` of `rounds`."""
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if chosen == 0 else _rising_to(tail, lambda rate: _at_least(chosen, rounds, rate))
    high = (
        1.0 if chosen == rounds else _rising_to(1.0 - tail, lambda rate: _at_least(chosen + 1, rounds, rate))
    )
    return low, high


def _at_least(hits: int, rounds: int, rate: float) -> float:
    """P(at least `hits` of `rounds`) where each succeeds with probability `rate`."""
    return math.fsum(
        math.comb(rounds, count) * rate**count * (1.0 - rate) ** (rounds - count)
        for count in range(hits, rounds + 1)
    )


def _rising_to(wanted: float, probability: Callable[[float], float]) -> float:
    """The rate from 0 to 1 at which a probability that rises with it has the wanted value: halved until the
    two ends are neighbours."""
    low, high = 0.0, 1.0
    while low < (middle := (low + high) / 2.0) < high:
        low, high = (middle, high) if probability(middle) < wanted else (low, middle)
    return high


def holm(p_values: Sequence[float]) -> list[float]:
    """Adjusted p values, in the order given: each may be compared with alpha, and the chance of any
    false positive among them stays under alpha."""
    count = len(p_values)
    order = sorted(range(count), key=lambda index: p_values[index])
    adjusted, highest = [0.0] * count, 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min(1.0, (count - rank) * p_values[index]))
        adjusted[index] = highest
    return adjusted
