"""A number that was typed is one of the digits 0 to 9; what only looks like one is a sentence, no crash."""

from __future__ import annotations

import pytest
from support.made_session import Desk

from simulator.common.text import whole_number

LONG = "1" * 5000


@pytest.mark.parametrize(
    ("word", "number"),
    [("1", 1), ("007", 7), ("999999999", 999_999_999), ("²", None), ("٣", None), ("1" * 10, None)]
    + [(word, None) for word in (LONG, "", "-1", "+1", "1.0", "1_0", " 1")],
)
def test_only_the_digits_0_to_9_make_a_number(word: str, number: int | None) -> None:
    assert whole_number(word) == number


@pytest.mark.parametrize("odd", ["²", "٣", LONG])
@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("play {}", "No track named"),
        ("swap {}", "No track named"),
        ("explain {}", "No track named"),
        ("replace {} song.wav", "Tracks: 1 to 4"),
        ("trial which {}", "is not a number of rounds"),
        ("codec opus {}", "Opus needs 32 to"),
        ("codec difference {}", "raised by 0 to 40 dB"),
        ("loop {}", "is not a length in seconds"),
        ("wait {}", "is not a length in seconds"),
    ],
)
def test_what_only_looks_like_a_number_is_answered_in_a_sentence(line: str, odd: str, said: str) -> None:
    desk = Desk()
    if line.startswith("codec difference"):
        desk.do("codec opus 128")
    assert said in desk.do(line.format(odd))
