"""The draws of a trial are fair, repeatable, and of no use to a guesser."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache
from itertools import combinations

import numpy as np
import pytest

from simulator.blind_test import statistics
from simulator.blind_test.trial import Round, draw

RUNS = 10_000


def coin(rounds: int, seed: int) -> list[bool]:
    return [bool(bit) for bit in np.random.default_rng(seed).integers(0, 2, rounds)]


def alternating(rounds: int, seed: int) -> list[bool]:
    return [(number + seed) % 2 == 0 for number in range(rounds)]


def balancing(rounds: int, seed: int) -> list[bool]:
    """Answers at random, but as many of each as can be."""
    half = [number % 2 == 0 for number in range(rounds)]
    np.random.default_rng(seed).shuffle(half)
    return half


def repeating(rounds: int, seed: int) -> list[bool]:
    return [seed % 2 == 0] * rounds


GUESSERS = [coin, alternating, balancing, repeating]
ONE_BY_DEFAULT = [coin, *(pytest.param(one, marks=pytest.mark.heavy) for one in GUESSERS[1:])]
Guesser = Callable[[int, int], list[bool]]
p_of = cache(statistics.preference_p)


@cache
def drawn_trials(kind: str, versions: int, rounds: int, runs: int) -> list[tuple[Round, ...]]:
    """The draws of so many trials, made once for all guessers."""
    return [draw(kind, versions, rounds, seed) for seed in range(runs)]


@pytest.mark.parametrize("rounds", [pytest.param(10, marks=pytest.mark.heavy), 16])
@pytest.mark.parametrize("guess", ONE_BY_DEFAULT)
def test_a_guesser_is_significant_in_less_than_5_percent_of_discrimination_trials(
    guess: Guesser, rounds: int
) -> None:
    critical = statistics.critical_correct(rounds)
    assert critical is not None
    hits = 0
    for seed, drawn in enumerate(drawn_trials("discrimination", 2, rounds, RUNS)):
        said_b = guess(rounds, seed + 77)
        right = sum(said is one.x_is_second for said, one in zip(said_b, drawn, strict=True))
        hits += right >= critical
    assert 0 < hits / RUNS < 0.05  # exactly 0.011 (10 rounds) and 0.038 (16) are expected


@pytest.mark.heavy
@pytest.mark.parametrize("guess", GUESSERS)
def test_a_guesser_is_significant_in_less_than_5_percent_of_preference_trials(guess: Guesser) -> None:
    hits = 0
    for seed, drawn in enumerate(drawn_trials("preference", 2, 16, RUNS)):
        said_b = guess(16, seed + 77)
        for_first = sum(
            (one.second if said else one.first) == 0 for said, one in zip(said_b, drawn, strict=True)
        )
        hits += p_of(for_first, 16) < 0.05
    assert hits / RUNS < 0.05


@pytest.mark.heavy
@pytest.mark.parametrize("guess", GUESSERS)
def test_with_three_versions_any_pair_is_significant_in_less_than_5_percent(guess: Guesser) -> None:
    """The chance of one false preference or more, over all pairs together: Holm's promise."""
    hits = 0
    for seed, drawn in enumerate(drawn_trials("preference", 3, 24, RUNS)):
        said_b = guess(24, seed + 77)
        picks = Counter(
            ((min(one.first, one.second), max(one.first, one.second)), one.second if said else one.first)
            for said, one in zip(said_b, drawn, strict=True)
        )
        p_values = [p_of(picks[(pair, pair[0])], 8) for pair in combinations(range(3), 2)]
        hits += min(statistics.holm(p_values)) < 0.05
    assert hits / RUNS < 0.05


def test_x_is_drawn_anew_each_round_and_not_balanced() -> None:
    """The number of rounds with X = B spreads like a coin's (variance n/4), and neighbours are unrelated."""
    rounds = 16
    table = np.array(
        [[one.x_is_second for one in draw("discrimination", 2, rounds, seed)] for seed in range(2500)]
    )
    counts = table.sum(axis=1)
    assert counts.mean() == pytest.approx(8.0, abs=0.16)  # 4 standard errors of 2/sqrt(2500)
    assert counts.var() == pytest.approx(4.0, rel=0.12)
    together = (table[:, 1:] == table[:, :-1]).mean()
    assert together == pytest.approx(0.5, abs=0.0104)  # 4 standard errors over 37,500 neighbours


@pytest.mark.parametrize(("versions", "rounds"), [(2, 16), (2, 15), (3, 12), (3, 15), (4, 24)])
def test_every_pair_comes_equally_often_and_each_letter_too(versions: int, rounds: int) -> None:
    for seed in range(30):
        drawn = draw("preference", versions, rounds, seed)
        pairs = Counter(frozenset((one.first, one.second)) for one in drawn)
        assert len(drawn) == rounds
        assert set(pairs.values()) == {rounds // (versions * (versions - 1) // 2)}
        for pair in pairs:
            low = min(pair)
            as_a = sum(one.first == low for one in drawn if {one.first, one.second} == pair)
            assert abs(2 * as_a - pairs[pair]) <= 1


def test_the_order_of_the_rounds_is_drawn_too() -> None:
    firsts = Counter(draw("preference", 3, 6, seed)[0] for seed in range(3000))
    assert len(firsts) == 6
    assert all(abs(count - 500) < 90 for count in firsts.values())  # 4 standard deviations of 20.4


def test_a_seed_gives_the_same_draws_for_ever() -> None:
    """PCG64's raw words are fixed by its authors: these rounds may never change, or old logs and ballots
    are refused. A round of a preference trial is written as the versions under A and B."""
    for versions, rounds in PREFERENCE.items():
        drawn = draw("preference", versions, len(rounds.split()), 2026)
        assert " ".join(f"{one.first}{one.second}" for one in drawn) == rounds
        assert not any(one.x_is_second for one in drawn)
    for seed, (letters, xs) in DISCRIMINATION.items():
        drawn = draw("discrimination", 2, len(xs), seed)
        assert {(one.first, one.second) for one in drawn} == {letters}
        assert "".join("AB"[one.x_is_second] for one in drawn) == xs
    assert isinstance(draw("discrimination", 2, 1, 0)[0], Round)


PREFERENCE = {
    2: "01 01 10 10 01 10 10 10 01 01",
    3: "20 01 20 02 21 02 01 12 12 21 10 10",
    4: "10 31 13 03 01 02 01 23 03 12 21 13 20 30 20 23 21 32",
}
DISCRIMINATION = {2026: ((0, 1), "BABAAABBBBBA"), 7: ((1, 0), "BAABAABABABAAABB")}
