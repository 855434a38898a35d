"""What a finished trial says, and what it never says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from simulator.blind_test.result import (
    DiscriminationResult,
    PreferenceResult,
    chosen_versions,
    result,
    result_sentences,
)
from simulator.blind_test.trial import Trial, TrialPlan, begin

NAMES = ("the open master", "the crushed master", "the third", "the fourth")


def answered(
    kind: str, rounds: int, wanted: Callable[[int], bool], versions: int = 2, seed: int = 5, **more: object
) -> Trial:
    """A trial whose listener is right in round n (or likes the lower-numbered version) where `wanted(n)`."""
    plan = TrialPlan(kind, NAMES[:versions], rounds, seed, "matched", 0.04, 60.0, 8.0)  # type: ignore[arg-type]
    trial = begin(replace(plan, **more))  # type: ignore[arg-type]
    said = []
    for number, drawn in enumerate(trial.draws):
        is_b = drawn.x_is_second if kind == "discrimination" else drawn.second < drawn.first
        said.append("B" if is_b is wanted(number) else "A")
    return replace(trial, answers=tuple(said))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("right", "p", "shown"), [(12, 0.0384, True), (11, 0.1051, False), (16, 2**-16, True)]
)
def test_discrimination_counts_right_answers(right: int, p: float, shown: bool) -> None:
    found = result(answered("discrimination", 16, lambda number: number < right))
    assert isinstance(found, DiscriminationResult)
    assert (found.rounds, found.correct, found.critical, found.shown) == (16, right, 12, shown)
    assert found.p == pytest.approx(p, abs=0.00005)


def test_preference_counts_versions_and_not_letters() -> None:
    found = result(answered("preference", 16, lambda number: number < 13))
    assert isinstance(found, PreferenceResult)
    (pair,) = found.pairs
    assert (pair.first, pair.second, pair.for_first, pair.rounds) == (0, 1, 13, 16)
    assert pair.shown
    assert pair.interval[0] < 13 / 16 < pair.interval[1]


def test_with_three_versions_each_pair_has_its_own_count_and_holms_p() -> None:
    found = result(answered("preference", 24, lambda _: True, versions=3))
    assert isinstance(found, PreferenceResult)
    assert [(pair.first, pair.second, pair.rounds, pair.for_first) for pair in found.pairs] == [
        (0, 1, 8, 8),
        (0, 2, 8, 8),
        (1, 2, 8, 8),
    ]
    assert [pair.p for pair in found.pairs] == pytest.approx([2 / 256] * 3)
    assert [pair.p_holm for pair in found.pairs] == pytest.approx([6 / 256] * 3)


def test_there_is_no_result_before_the_last_answer() -> None:
    trial = answered("discrimination", 16, lambda _: True)
    with pytest.raises(ValueError, match="not over"):
        result(replace(trial, answers=trial.answers[:-1]))


def test_chosen_versions_follow_the_draws() -> None:
    trial = answered("preference", 12, lambda _: True)
    assert chosen_versions(trial) == [0] * 12


# --- words ------------------------------------------------------------------------------------------


def said(trial: Trial) -> str:
    return " ".join(result_sentences(trial.plan, result(trial)))


@pytest.mark.parametrize("right", range(17))
@pytest.mark.parametrize("kind", ["discrimination", "preference"])
def test_no_result_ever_says_that_there_is_no_difference(kind: str, right: int) -> None:
    words = said(answered(kind, 16, lambda number: number < right)).lower()
    for claim in (
        "no difference",
        "no audible",
        "inaudible",
        "identical",
        "the same",
        "equally good",
        "proven",
    ):
        assert claim not in words
    assert "16" in words  # n
    assert "p = " in words
    assert "level 0.05" in words
    assert "seed 5" in words
    assert ("two-sided" in words) is (kind == "preference")


def test_a_difference_that_was_not_shown_says_how_likely_it_would_have_been_caught() -> None:
    words = said(answered("discrimination", 16, lambda number: number < 9))
    assert words.startswith(
        "9 of 16 right (p = 0.4018): a difference was not shown in 16 rounds. A listener who is right 70 % "
        "of the time would pass this trial 45 % of the time."
    )


def test_a_preference_names_the_state_and_the_level_difference() -> None:
    words = said(answered("preference", 16, lambda number: number < 13))
    assert "the open master was preferred" in words
    assert "level-matched on this passage; the levels differed by 0.04 LU." in words
    loud = said(answered("preference", 16, lambda _: True, state="played", level_difference_lu=0.35))
    assert (
        "as the player plays them; the levels differed by 0.35 LU: the louder one has an advantage." in loud
    )


def test_four_rounds_could_have_shown_nothing() -> None:
    assert "4 rounds could not have shown it" in said(answered("discrimination", 4, lambda _: True))
