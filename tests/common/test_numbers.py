"""Numbers and sentences for people: a true minus, never before zero; a capital where a sentence begins."""

from __future__ import annotations

import pytest

from simulator.common.text import capital, level, signed, true_minus, typed_minus


@pytest.mark.parametrize(
    ("value", "decimals", "written"),
    [(-14.25, 1, "−14.2"), (-0.04, 1, "0.0"), (-0.004, 2, "0.00"), (-0.05, 2, "−0.05"), (None, 1, "–")],
)
def test_a_level_has_a_true_minus_and_none_before_zero(
    value: float | None, decimals: int, written: str
) -> None:
    assert level(value, decimals) == written


def test_a_change_has_its_sign_and_zero_none() -> None:
    assert [signed(value) for value in (1.04, -1.04, 0.04, -0.04)] == ["+1.0", "−1.0", "0.0", "0.0"]


def test_hyphens_become_the_minus_of_typography() -> None:
    assert true_minus("-16 to -1.5") == "\u221216 to \u22121.5"
    assert typed_minus(true_minus("-16 to -1.5")) == "-16 to -1.5"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("the open master", "The open master"),
        ("PLR of the mix", "PLR of the mix"),
        ("“a title”", "“a title”"),
        ("ß", "SS"),
        ("", ""),
    ],
)
def test_a_sentence_begins_with_a_capital_and_the_rest_stays(text: str, sentence: str) -> None:
    assert capital(text) == sentence
