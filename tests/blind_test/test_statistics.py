"""The exact tests against the binomial table, worked examples, and an independent way to count."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations
from math import comb

import pytest

from simulator.blind_test import statistics
from simulator.session.acts.trial_offer import ROUNDS

# Minimum of right answers with P < .05, .01, .001: the exact binomial, one-sided, chance 1/2. The rows were
# computed from the definition with scipy.stats.binom; `tail` below counts them a second time in fractions.
TABLE = """
5 5 - - | 6 6 - - | 7 7 7 - | 8 7 8 - | 9 8 9 - | 10 9 10 10 | 11 9 10 11 | 12 10 11 12 | 13 10 12 13
14 11 12 13 | 15 12 13 14 | 16 12 14 15 | 17 13 14 16 | 18 13 15 16 | 19 14 15 17 | 20 15 16 18
21 15 17 18 | 22 16 17 19 | 23 16 18 20 | 24 17 19 20 | 25 18 19 21 | 28 19 21 23 | 30 20 22 24
32 22 24 26 | 40 26 28 31 | 50 32 34 37 | 100 59 63 66
"""
ROWS = [row.split() for row in TABLE.replace("\n", "|").split("|") if row.strip()]


def tail(correct: int, rounds: int) -> Fraction:
    """P(at least `correct`) of a fair coin, exactly."""
    return Fraction(sum(comb(rounds, k) for k in range(correct, rounds + 1)), 2**rounds)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_critical_values_are_those_of_the_exact_table(row: list[str]) -> None:
    rounds = int(row[0])
    for alpha, written in zip((0.05, 0.01, 0.001), row[1:], strict=True):
        assert statistics.critical_correct(rounds, alpha) == (None if written == "-" else int(written))


@pytest.mark.parametrize("rounds", range(1, 101))
def test_critical_values_are_the_least_that_counting_in_fractions_allows(rounds: int) -> None:
    critical = statistics.critical_correct(rounds)
    least = next((k for k in range(rounds + 1) if tail(k, rounds) < Fraction(1, 20)), None)
    assert critical == least


@pytest.mark.parametrize(
    ("correct", "rounds", "p"),
    [
        (12, 16, 0.0384),
        (14, 16, 0.0021),
        (15, 20, 0.0207),
        (9, 10, 0.0107),
        (8, 10, 0.0547),
        (18, 25, 0.0216),
    ],
)
def test_p_values_at_the_edge(correct: int, rounds: int, p: float) -> None:
    assert statistics.guessing_p(correct, rounds) == pytest.approx(p, abs=0.00005)  # printed with 4 places
    assert statistics.guessing_p(correct, rounds) == pytest.approx(float(tail(correct, rounds)), rel=1e-12)


@pytest.mark.parametrize(("chosen", "p", "shown"), [(13, 0.021, True), (12, 0.077, False), (3, 0.021, True)])
def test_preference_counts_both_sides(chosen: int, p: float, shown: bool) -> None:
    assert statistics.preference_p(chosen, 16) == pytest.approx(p, abs=0.0005)
    assert statistics.preference_p(chosen, 16) == pytest.approx(
        2.0 * float(tail(max(chosen, 16 - chosen), 16)), rel=1e-12
    )
    assert (statistics.preference_p(chosen, 16) < statistics.ALPHA) is shown
    assert statistics.preference_critical(16) == 13


@pytest.mark.parametrize(
    ("rounds", "at_70", "at_80"),
    [(10, 0.15, 0.38), (16, 0.45, 0.80), (20, 0.42, 0.80), (25, 0.51, 0.89), (32, 0.64, 0.96)],
)
def test_how_likely_a_real_listener_is_caught(rounds: int, at_70: float, at_80: float) -> None:
    assert statistics.caught_probability(rounds, 0.7) == pytest.approx(at_70, abs=0.005)  # two places
    assert statistics.caught_probability(rounds, 0.8) == pytest.approx(at_80, abs=0.005)


def test_too_few_rounds_can_show_nothing() -> None:
    assert statistics.critical_correct(4) is None
    assert statistics.caught_probability(4) == 0.0
    assert statistics.preference_critical(5) is None
    assert statistics.preference_critical(6) == 6


@pytest.mark.parametrize(("pairs", "fewest"), [(1, 6), (3, 21), (6, 48)])
def test_the_fewest_rounds_that_can_show_a_preference(pairs: int, fewest: int) -> None:
    """By hand: n answers alike have p = 2·2^-n, and Holm's first step asks for p < 0.05 / pairs."""
    each = next(n for n in range(1, 99) if 2.0 * 0.5**n * pairs < 0.05)
    assert statistics.fewest_preferences(pairs) == fewest == pairs * each
    enough = [2.0 * 0.5**each] * pairs
    short = [2.0 * 0.5 ** (each - 1)] * pairs
    assert min(statistics.holm(enough)) < 0.05 <= min(statistics.holm(short))
    assert ROUNDS[pairs] >= fewest  # what the desk offers where no number is named can show something


def test_five_rounds_are_the_fewest_that_can_tell_two_apart() -> None:
    assert statistics.fewest_right() == 5  # 2^-5 = 0.031, 2^-4 = 0.063
    assert statistics.preference_caught_probability(5) == 0.0


@pytest.mark.parametrize(("chosen", "rounds"), [(0, 10), (3, 10), (8, 16), (16, 16)])
def test_the_interval_is_that_of_clopper_and_pearson(chosen: int, rounds: int) -> None:
    """Its ends are where the exact tails are 2.5 %; at 0 and n they are the closed forms."""
    low, high = statistics.share_interval(chosen, rounds)

    def upper_tail(share: float, k: int) -> float:
        return sum(comb(rounds, j) * share**j * (1 - share) ** (rounds - j) for j in range(k, rounds + 1))

    if chosen == 0:
        assert (low, high) == (0.0, pytest.approx(1 - 0.025 ** (1 / rounds)))
    elif chosen == rounds:
        assert (low, high) == (pytest.approx(0.025 ** (1 / rounds)), 1.0)
    else:
        assert upper_tail(low, chosen) == pytest.approx(0.025, rel=1e-6)
        assert 1.0 - upper_tail(high, chosen + 1) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize(
    "p_values", [[0.01, 0.04, 0.03, 0.005], [0.02, 0.02, 0.02], [0.5], [0.9, 0.001], [0.6, 0.7, 0.8]]
)
def test_holm_is_the_closed_test_over_bonferroni(p_values: list[float]) -> None:
    """An independent way to the same numbers: a pair's adjusted p is the largest Bonferroni p of any group
    of hypotheses that holds it (Marcus, Peritz, Gabriel 1976; from memory)."""
    for index, found in enumerate(statistics.holm(p_values)):
        groups = [
            group
            for size in range(1, len(p_values) + 1)
            for group in combinations(range(len(p_values)), size)
            if index in group
        ]
        closed = max(min(1.0, len(group) * min(p_values[one] for one in group)) for group in groups)
        assert found == pytest.approx(closed)


def test_holm_of_a_worked_example() -> None:
    """p = .01, .04, .03, .005 of four: .03, .06, .06, .02 (computed by hand: 4·.005, 3·.01, 2·.03, then the
    largest so far)."""
    assert statistics.holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


@pytest.mark.external
@pytest.mark.parametrize("rounds", [1, 5, 16, 33, 200])
def test_every_figure_is_that_of_a_statistics_library(rounds: int) -> None:
    """scipy.stats, which computes tails by the incomplete beta function and intervals by its inverse."""
    from scipy.stats import binom, binomtest

    for hits in range(rounds + 1):
        fair = binomtest(hits, rounds, 0.5)
        assert statistics.preference_p(hits, rounds) == pytest.approx(fair.pvalue, rel=1e-9)
        assert statistics.guessing_p(hits, rounds) == pytest.approx(
            binomtest(hits, rounds, 0.5, alternative="greater").pvalue, rel=1e-9
        )
        if hits % 7 == 0 or hits == rounds:
            interval = fair.proportion_ci(confidence_level=0.95, method="exact")
            expected = (interval.low, interval.high)
            assert statistics.share_interval(hits, rounds) == pytest.approx(expected, abs=1e-9)
    critical = statistics.critical_correct(rounds)
    if critical is not None:
        expected_power = binom.sf(critical - 1, rounds, 0.7)
        assert statistics.caught_probability(rounds, 0.7) == pytest.approx(expected_power, rel=1e-9)
