"""Votes of several listeners to one page: the answer, a table with one row a listener, who dissents.

The sum counts every round of every blind vote. A vote whose names had been seen is shown and not counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulator.blind_test.ballot import Ballot, VoteAnswer
from simulator.blind_test.result import PairResult, PreferenceResult, chosen_versions, together
from simulator.blind_test.statistics import ALPHA
from simulator.blind_test.trial import Trial
from simulator.common.text import visible
from simulator.text.short_names import short_names

if TYPE_CHECKING:
    from rich.table import Table


@dataclass(frozen=True, slots=True)
class Listener:
    """One vote: who, whether the names were hidden, its own result, the choices passage by passage for the
    first of two versions (chosen, of how many rounds), and the words."""

    name: str
    blind: bool
    alone: PreferenceResult
    passages: tuple[tuple[int, int], ...]
    words: str


@dataclass(frozen=True, slots=True)
class ListenerSum:
    """All votes of a page: the versions' short names, the listeners in order, and the sum of the blind ones
    (None without any)."""

    names: Sequence[str]
    passages: Sequence[str]
    listeners: Sequence[Listener]
    result: PreferenceResult | None


def sum_of(ballot: Ballot, given: Sequence[tuple[VoteAnswer, Trial]]) -> ListenerSum:
    """What the votes of a page say together."""
    listeners = [
        Listener(
            visible(answer.name) or f"listener {number}",
            not answer.names_seen,
            together([trial]),
            _by_passage(ballot, trial),
            visible(answer.words),
        )
        for number, (answer, trial) in enumerate(given, 1)
    ]
    blind = [trial for answer, trial in given if not answer.names_seen]
    names = short_names(ballot.plan.versions)
    return ListenerSum(names, ballot.passages, listeners, together(blind) if blind else None)


def _by_passage(ballot: Ballot, trial: Trial) -> tuple[tuple[int, int], ...]:
    if len(ballot.plan.versions) != 2 or len(ballot.round_passages) != len(trial.draws):
        return ()
    chosen = chosen_versions(trial)
    picks = [
        [version for version, place in zip(chosen, ballot.round_passages, strict=True) if place == number]
        for number in range(len(ballot.passages))
    ]
    return tuple((each.count(0), len(each)) for each in picks)


def sum_answer(listener_sum: ListenerSum) -> list[str]:
    """The sum in a sentence for each pair of versions."""
    if listener_sum.result is None:
        return ["No vote was blind: every listener had seen the names."]
    blind = sum(listener.blind for listener in listener_sum.listeners)
    who = "one listener" if blind == 1 else f"{blind} listeners"
    return [_pair_words(listener_sum.names, pair, who) for pair in listener_sum.result.pairs]


def _pair_words(names: Sequence[str], pair: PairResult, who: str) -> str:
    chosen = max(pair.for_first, pair.rounds - pair.for_first)
    if 2 * chosen == pair.rounds:
        both = f"{names[pair.first]} and {names[pair.second]}"
        return f"{both} were each chosen {chosen} of {pair.rounds} times by {who}: no preference."
    name = names[_favourite(pair)]
    chosen_words = f"{name} was chosen {chosen} of {pair.rounds} times by {who}"
    if pair.p_holm < ALPHA:
        return f"{chosen_words}: a preference (chance alone: once in {round(1.0 / pair.p_holm)})."
    return f"{chosen_words}: no preference shown (p = {pair.p_holm:.2f})."


def _favourite(pair: PairResult) -> int:
    return pair.first if 2 * pair.for_first > pair.rounds else pair.second


def sum_table(listener_sum: ListenerSum) -> Table:
    """A row a listener: how often each chose the first of a pair, and where there are two versions, in which
    passage."""
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("listener", overflow="fold")
    names, pairs = listener_sum.names, listener_sum.listeners[0].alone.pairs
    for pair in pairs:
        table.add_column(f"{names[pair.first]} over {names[pair.second]}", justify="right")
        table.add_column("p", justify="right")
    for passage in listener_sum.passages if len(pairs) == 1 else ():
        table.add_column(passage, justify="right")
    table.add_column("")
    for listener in listener_sum.listeners:
        cells = [part for pair in listener.alone.pairs for part in _cells(pair)]
        cells += [f"{chosen} of {rounds}" for chosen, rounds in listener.passages]
        table.add_row(listener.name, *cells, "" if listener.blind else "names seen")
    if listener_sum.result is not None:
        cells = [part for pair in listener_sum.result.pairs for part in _cells(pair, corrected=True)]
        if len(pairs) == 1:
            blind = [listener.passages for listener in listener_sum.listeners if listener.blind]
            cells += [
                f"{sum(chosen for chosen, _ in each)} of {sum(rounds for _, rounds in each)}"
                for each in zip(*blind, strict=True)
            ]
        table.add_row("all together", *cells, "", style="answer")
    return table


def _cells(pair: PairResult, *, corrected: bool = False) -> tuple[str, str]:
    p = pair.p_holm if corrected else pair.p
    return f"{pair.for_first} of {pair.rounds}", "<0.001" if p < 0.001 else f"{p:.3f}"


def sum_sentences(listener_sum: ListenerSum) -> list[str]:
    """Who dissents, and how far the sum reaches."""
    sentences = []
    for place, pair in enumerate(listener_sum.result.pairs if listener_sum.result else ()):
        if 2 * pair.for_first == pair.rounds:
            continue
        for listener in listener_sum.listeners:
            own = listener.alone.pairs[place]
            if listener.blind and 2 * own.for_first != own.rounds and _favourite(own) != _favourite(pair):
                chosen = max(own.for_first, own.rounds - own.for_first)
                other = listener_sum.names[_favourite(own)]
                sentences.append(f"{listener.name} dissents: {other} {chosen} of {own.rounds} times.")
    seen = [listener.name for listener in listener_sum.listeners if not listener.blind]
    if seen and listener_sum.result is not None:
        have = "has" if len(seen) == 1 else "have"
        sentences.append(f"Not in the sum: {', '.join(seen)}, who {have} seen the names.")
    return [
        *sentences,
        "The sum is an exact binomial test, two-sided, over all blind rounds: it speaks for these listeners "
        "only.",
    ]
