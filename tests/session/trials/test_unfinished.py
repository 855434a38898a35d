"""A program that is killed in mid-trial loses no answer that was given, and gives no result."""

from __future__ import annotations

import pytest
from support.made_session import Desk, session

from simulator.blind_test.trial import to_log
from simulator.page.session_log import trials
from simulator.session.events import Keep, Prepared, Sound, Tick, Typed
from simulator.session.log import Act, Record, from_json, to_json, unfinished, unfinished_words
from simulator.session.provenance import news

AT = "2026-02-03T10:00:00+00:00"


def killed_after(
    answers: str, *, kind: str = "which", seed: int = 11, more: str = ""
) -> tuple[Desk, list[Act]]:
    """A desk in the middle of a trial, and the acts that lie on the disk then."""
    desk = Desk()
    acts = [one.act for one in desk.effects if isinstance(one, Keep)]

    def do(event: Typed | Prepared | Tick) -> None:
        desk.do(event)
        acts.extend(one.act for one in desk.effects if isinstance(one, Keep))

    do(Typed("state matched", AT))
    do(Typed(f"trial {kind} 4 1 2", AT))
    do(Typed("y", AT, seed))
    do(Prepared(at=AT))
    for letter in answers:
        for one in "abx" if kind == "which" else "ab":
            do(Typed(one, AT))
            (sound,) = desk.found(Sound)
            for tick in range(1, 1 + 12):
                do(Tick(0, sound.place_s + tick / 10))
        do(Typed(f"answer {letter}", AT))
    if more:
        do(Typed(more, AT))
    return desk, list(from_json(to_json(Record("A", tuple(acts)))).acts)


@pytest.mark.parametrize("kind", ["which", "preference"])
def test_every_answer_and_every_draw_lies_on_the_disk_before_the_end(kind: str) -> None:
    desk, acts = killed_after("ABB", kind=kind)
    assert desk.session.trial is not None
    ((begun, trial),) = unfinished(acts)
    assert to_log(trial) == to_log(desk.session.trial.trial)
    assert trial.answers == ("A", "B", "B")
    assert begun.data.items() >= {"profile": "minus14-headroom", "converter": False, "trim_db": -12.0}.items()
    assert [one["title"] for one in begun.data["tracks"]] == ["Song (open)", "Song (crushed)"]
    assert not trial.finished
    assert unfinished_words(trial) == ("An unfinished blind trial: 3 of 4 rounds answered, no result.")


@pytest.mark.parametrize(("answers", "more"), [("ABBA", ""), ("AB", "trial stop"), ("", "quit")])
def test_a_trial_that_came_to_its_end_is_none_of_them(answers: str, more: str) -> None:
    _, acts = killed_after(answers, more=more)
    assert [act.kind for act in acts].count("trial") == 1
    assert unfinished(acts) == []


def test_the_next_session_and_the_page_tell_it_once_without_a_name_or_a_score() -> None:
    _, acts = killed_after("AB")
    told = "2026-02-03: An unfinished blind trial: 2 of 4 rounds answered, no result."
    tracks, profiles = session().tracks, session().profiles
    assert news(acts, tracks, profiles) == (told,)
    assert news([*acts, Act(AT, "opened", {})], tracks, profiles) == ()
    assert trials([*acts, Act(AT, "opened", {})]) == [told]


def test_answers_belong_to_the_trial_that_was_begun_last() -> None:
    first, second = killed_after("AB")[1], killed_after("B", seed=12)[1]
    assert [trial.answers for _, trial in unfinished([*first, *second])] == [("A", "B"), ("B",)]
    strays = [act for act in first if act.kind == "trial answer"]
    assert [trial.answers for _, trial in unfinished([*second, *strays])] == [("B",)]


@pytest.mark.parametrize("data", [
    {"trial_kind": "discrimination", "rounds": 4, "versions": ["a", "b"]},  # as earlier versions kept it
    {"trial": None}, {"trial": {}}, {"trial": {"plan": 3, "draws": [], "answers": []}}, {"trial": [1]},
])  # fmt: skip
def test_a_beginning_without_its_draws_is_left_out(data: dict[str, object]) -> None:
    acts = [Act(AT, "trial begun", data), Act(AT, "trial answer", {"seed": None, "round": 1, "letter": "A"})]
    assert unfinished(acts) == []
    assert trials(acts) == []


def test_draws_that_are_not_those_of_the_seed_are_left_out() -> None:
    _, acts = killed_after("A")
    (begun,) = [act for act in acts if act.kind == "trial begun"]
    begun.data["trial"]["plan"]["seed"] = 12
    assert unfinished(acts) == []
