"""The vote's result in the listener's words."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest
from support.made_page import request_of, write_music

from simulator.blind_test.trial import begin
from simulator.common.errors import UsageError
from simulator.page.file.ballot import plain_sentence
from simulator.page.file.build import build

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


def test_rounds_are_spread_over_the_passages_and_each_sounds_as_drawn(tmp_path: Path) -> None:
    """Six rounds over two passages: three each; what a round plays is the drawn version at its passage."""
    order = request_of(write_music(tmp_path), rounds=6, vote_passages=("loudest, quietest",))
    page = build(order)
    ballot = page.ballot
    assert ballot is not None
    assert [name.split(",")[0] for name in ballot.passages] == ["Loudest part", "Quietest part"]
    assert sorted(ballot.round_passages) == [0, 0, 0, 1, 1, 1]
    open_data = json.loads(re.findall(r'id="ballot">(.*?)</script>', page.text)[0])
    assert len(set(open_data["clips"])) == 4
    pairs = {tuple(sorted(pair)) for pair in open_data["rounds"]}
    assert len(pairs) == 2  # one pair of sounds a passage
    trial = begin(ballot.plan)
    first = {}
    for drawn, passage, pair in zip(trial.draws, ballot.round_passages, open_data["rounds"], strict=True):
        for version, sound in zip((drawn.first, drawn.second), pair, strict=True):
            assert first.setdefault((passage, version), sound) == sound
    assert sorted(first.values()) == [0, 1, 2, 3]
    with pytest.raises(UsageError, match="there is no passage “coda”"):
        build(request_of(write_music(tmp_path), rounds=6, vote_passages=("loudest", "coda")))
