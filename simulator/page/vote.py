"""The vote of a page, and what of it may stand in the open.

In the open stand the sounds under neutral names in random order, the pairs of each round, and the page's
id. Behind the curtain stand the versions' names, which sound is which, and the sentences of the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from simulator.blind_test.ballot import Ballot
from simulator.blind_test.result import PreferenceResult, plan_sentence, result, result_sentences
from simulator.blind_test.statistics import ALPHA, preference_p
from simulator.blind_test.trial import Round, Trial, begin
from simulator.page.html import PageVote
from simulator.page.words import isolated


def page_vote(
    ballot: Ballot,
    drawn: Sequence[Round],
    shown: Sequence[int],
    clips: Sequence[str],
    title: str,
    reasons: Sequence[str] = (),
) -> PageVote:
    """`clips` are the sounds, passage by passage, each by version; `shown` is the order in which they are
    listed, `reasons` are the passages in words."""
    place = {sound: number for number, sound in enumerate(shown)}
    plan, versions = ballot.plan, len(ballot.plan.versions)
    offered = [sum(number in (one.first, one.second) for one in drawn) for number in range(versions)]
    where = "; ".join(reasons) or plan.passage_reason or "the whole track"
    first = [versions * passage for passage in ballot.round_passages or [0] * len(drawn)]
    return PageVote(
        ballot={
            "page": ballot.page,
            "title": title,
            "clips": [clips[sound] for sound in shown],
            "rounds": [
                [place[start + one.first], place[start + one.second]]
                for start, one in zip(first, drawn, strict=True)
            ],
        },
        reveal={
            "names": [isolated(name) for name in plan.versions],
            "versions": [sound % versions for sound in shown],
            "offered": offered,
            "sentences": _sentences(ballot) if versions == 2 else [],
            "plain": [plain_sentence(plan.versions, count, plan.rounds) for count in range(plan.rounds + 1)]
            if versions == 2
            else [],
        },
        view={
            "rounds": plan.rounds,
            "versions": versions,
            "passages": max(1, len(ballot.passages)),
            "where": where if where.endswith(".") else f"{where}.",
            "difference": f"{plan.level_difference_lu:.2f}",
            "plan": plan_sentence(plan),
        },
    )


def plain_sentence(names: Sequence[str], for_first: int, rounds: int) -> str:
    """The result for the listener: what was chosen how often, and how often chance alone splits as unevenly
    (exact, two-sided)."""
    chosen = max(for_first, rounds - for_first)
    name = isolated(names[0 if for_first == chosen else 1])
    if 2 * chosen == rounds:
        return f"You chose each of the two {chosen} of {rounds} times: no clear choice."
    p = preference_p(chosen, rounds)
    said = f"You chose {name} {chosen} of {rounds} times"
    if p < ALPHA:
        return f"{said}; chance alone does that about once in {round(1.0 / p)}."
    once = f"about once in {round(1.0 / p)}" if p < 0.4 else "easily"
    return f"{said}; chance alone does that {once}, so it is not a clear choice."


def _sentences(ballot: Ballot) -> list[str]:
    """For two versions: what the result says, by how often the first was chosen."""
    plan = replace(ballot.plan, versions=tuple(isolated(name) for name in ballot.plan.versions))
    trial = begin(plan)
    said = []
    for wanted in range(ballot.plan.rounds + 1):
        found = result(_chosen(trial, wanted))
        assert isinstance(found, PreferenceResult)
        said.append(result_sentences(plan, found)[0])
    return said


def _chosen(trial: Trial, wanted: int) -> Trial:
    """The trial answered so that version 0 was chosen so often."""
    letters = tuple(
        "A" if (number < wanted) is (one.first == 0) else "B" for number, one in enumerate(trial.draws)
    )
    return replace(trial, answers=letters)  # type: ignore[arg-type]
