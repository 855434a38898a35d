"""A blind trial step by step: what may be shown, what is refused, and what never leaks."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace

import pytest

from simulator.blind_test.result import CAUTIONS, plan_sentence
from simulator.blind_test.trial import TrialPlan, answer, begin, hear, problem_of, refusal, show, version_of

NAMES = ("open master", "crushed master", "third master", "fourth master")


def plan(kind: str = "discrimination", versions: int = 2, rounds: int = 16, seed: int = 1) -> TrialPlan:
    return TrialPlan(kind, NAMES[:versions], rounds, seed, "matched", 0.04, 61.5, 8.0)  # type: ignore[arg-type]


def test_an_answer_counts_only_once_every_letter_was_heard() -> None:
    trial = begin(plan())
    with pytest.raises(ValueError, match="Play A and B and X first"):
        answer(trial, "A")
    trial = hear(hear(trial, "A"), "X")
    with pytest.raises(ValueError, match="Play B first"):
        answer(trial, "A")
    trial = answer(hear(trial, "B"), "A")
    assert show(trial).round_number == 2
    assert show(trial).heard == ()


def test_after_the_last_answer_nothing_more_is_taken() -> None:
    trial = begin(plan("preference", rounds=1))
    trial = answer(hear(hear(trial, "A"), "B"), "B")
    assert show(trial).finished
    assert refusal(trial, "A") == "The trial is over."
    with pytest.raises(ValueError, match="over"):
        version_of(trial, "A")


@pytest.mark.parametrize("letter", ["X", "C", "", "a"])
def test_a_preference_trial_takes_only_a_and_b(letter: str) -> None:
    trial = hear(hear(begin(plan("preference")), "A"), "B")
    assert refusal(trial, letter) == "Answer A or B."


def test_x_is_always_one_of_the_two_and_the_letters_are_different_versions() -> None:
    for seed in range(50):
        trial = begin(plan(seed=seed, rounds=5))
        while not show(trial).finished:
            under = {letter: version_of(trial, letter) for letter in "ABX"}  # type: ignore[arg-type]
            assert {under["A"], under["B"]} == {0, 1}
            assert under["X"] in (0, 1)
            for letter in "ABX":
                trial = hear(trial, letter)  # type: ignore[arg-type]
            trial = answer(trial, "A")


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (plan(versions=3), "compares two versions, got 3"),
        (plan("preference", versions=1), "two to four versions, got 1"),
        (plan("preference", versions=3, rounds=16), "3 pairs, .* choose 15 or 18 rounds, not 16"),
        (plan("preference", versions=4, rounds=5), "choose 6 rounds, not 5"),
        (plan(rounds=0), "1 to 200 rounds, got 0"),
        (replace(plan(), versions=("one", "one")), "same name"),
    ],
)
def test_a_plan_that_cannot_be_carried_out_says_why(wrong: TrialPlan, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        begin(wrong)
    assert problem_of(wrong)


# --- nothing leaks ----------------------------------------------------------------------------------


def walk(trial_plan: TrialPlan, choose: Callable[[int], str]) -> list[str]:
    """Everything that a screen can draw or say on the way, as text."""
    trial, seen = begin(trial_plan), [plan_sentence(trial_plan), *CAUTIONS]
    number = 0
    while not show(trial).finished:
        for letter in show(trial).letters:
            seen += [json.dumps(asdict(show(trial))), refusal(trial, "A"), refusal(trial, "X")]
            trial = hear(trial, letter)
        seen += [json.dumps(asdict(show(trial))), repr(show(trial))]
        trial = answer(trial, choose(number))  # type: ignore[arg-type]
        number += 1
    return [*seen, json.dumps(asdict(show(trial)))]


@pytest.mark.parametrize("kind", ["preference", "discrimination"])
def test_all_that_can_be_shown_is_the_same_whatever_was_drawn(kind: str) -> None:
    """24 seeds: the same acts give the same screens, refusals and words, to the letter, while the draws
    themselves differ; and no version's name stands anywhere."""
    choose = "AB".__getitem__
    walks = [walk(plan(kind, seed=seed), lambda number: choose(number % 2)) for seed in range(24)]
    assert len({begin(plan(kind, seed=seed)).draws for seed in range(24)}) > 20
    assert all(seen == walks[0] for seen in walks)
    assert not any(name in text for name in NAMES for text in walks[0])


def test_the_screen_does_not_depend_on_the_answers_so_that_there_is_no_running_score() -> None:
    assert walk(plan(), lambda _: "A") == walk(plan(), lambda _: "B")


@pytest.mark.parametrize("kind", ["preference", "discrimination"])
def test_what_sounds_is_all_that_differs_and_only_by_its_number(kind: str) -> None:
    """The deck is told a version's number: same passage, same length, same kind of answer for each."""
    trial = begin(plan(kind))
    answers = [version_of(trial, letter) for letter in show(trial).letters]
    assert {type(found) for found in answers} == {int}
