"""A log tells the whole trial again, and one that was changed is refused."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from simulator.blind_test.result import result
from simulator.blind_test.trial import TrialPlan, begin, replay, to_log

PLAN = TrialPlan("preference", ("one", "two"), 10, 3, "matched", 0.02, 12.0, 8.0, "its loudest 8 s")


@settings(max_examples=30)
@given(
    seed=some.integers(0, 2**63),
    kind=some.sampled_from(["preference", "discrimination"]),
    letters=some.lists(some.sampled_from("AB"), min_size=1, max_size=12),
    given=some.integers(0, 12),
)
def test_a_log_through_json_gives_the_trial_back(
    seed: int, kind: str, letters: list[str], given: int
) -> None:
    trial = begin(replace(PLAN, kind=kind, seed=seed, rounds=len(letters)))  # type: ignore[arg-type]
    trial = replace(trial, answers=tuple(letters[:given]))  # type: ignore[arg-type]
    again = replay(json.loads(json.dumps(to_log(trial))))
    assert again == trial
    if trial.finished:
        assert result(again) == result(trial)


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("draws", [], "not those of its seed"),
        ("answers", ["A"] * 11, "The trial is over"),
        ("answers", ["C"], "not a trial log"),
        ("plan", {}, "not a trial log"),
    ],
)
def test_a_log_that_does_not_agree_with_itself_is_refused(key: str, value: object, words: str) -> None:
    log = to_log(begin(PLAN)) | {key: value}
    with pytest.raises(ValueError, match=words):
        replay(log)


def test_a_swapped_draw_is_noticed() -> None:
    log = json.loads(json.dumps(to_log(begin(PLAN))))
    log["draws"][4]["first"], log["draws"][4]["second"] = log["draws"][4]["second"], log["draws"][4]["first"]
    with pytest.raises(ValueError, match="seed"):
        replay(log)
