"""The vote's result in the listener's words."""

from __future__ import annotations

import math

import pytest

from simulator.page.vote import plain_sentence

NAMES = ("the open one", "the loud one")


@pytest.mark.parametrize(
    ("for_first", "rounds", "words"),
    [
        # R's binom.test(13, 16) gives p = 0.02127: once in 47
        (3, 16, "You chose the loud one 13 of 16 times; chance alone does that about once in 47."),
        (16, 16, "You chose the open one 16 of 16 times; chance alone does that about once in 32768."),
        (
            11,
            16,
            "You chose the open one 11 of 16 times; chance alone does that about once in 5, so it is not "
            "a clear choice.",
        ),
        (
            9,
            16,
            "You chose the open one 9 of 16 times; chance alone does that easily, so it is not a clear "
            "choice.",
        ),
        (8, 16, "You chose each of the two 8 of 16 times: no clear choice."),
    ],
)
def test_the_result_is_one_plain_line(for_first: int, rounds: int, words: str) -> None:
    assert plain_sentence(NAMES, for_first, rounds) == words


def test_the_odds_are_those_of_a_fair_coin_on_both_sides() -> None:
    """Counted over all ways in which 12 rounds can fall."""
    for count in (10, 11, 12):
        ways = sum(1 for one in range(2**12) if max(one.bit_count(), 12 - one.bit_count()) >= count)
        assert plain_sentence(NAMES, count, 12).endswith(f"about once in {round(2**12 / ways)}.")
    assert math.comb(12, 10) == 66
