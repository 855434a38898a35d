"""Vote of a page: its versions and passages, its part of the page, and everything drawn at random.

Readable in the file are the sounds under neutral names in random order, the pairs of each round, and the
page's id. Hidden are the versions' names, which sound is which, and the sentences of the result.

All chance comes from one seed, so that a page can be made again: the page's id, the neutral names of its
sounds and their order, the key that hides the names, the seeds of the vote's draws and of the dither.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from simulator.blind_test.ballot import Ballot
from simulator.blind_test.result import PreferenceResult, plan_sentence, result, result_sentences
from simulator.blind_test.statistics import ALPHA, preference_p
from simulator.blind_test.trial import Letter, Round, TrialPlan, begin, draw, problem_of
from simulator.common.errors import UsageError
from simulator.common.units import format_time
from simulator.normalizer.prediction import Prediction
from simulator.page.clips import Clip, vote_sounds
from simulator.page.content import PageTrack, song_groups
from simulator.page.file.cut_passages import Cuts, converted
from simulator.page.file.request import PageRequest
from simulator.page.html import PageVote
from simulator.page.listen import label_of
from simulator.page.passages import Place
from simulator.page.plain_words import isolated

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


class Chance:
    """All of a page's chance, from one seed."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._taken: set[str] = set()

    def number(self) -> int:
        return int(self._random.integers(0, 2**53))

    def word(self, length: int) -> str:
        return "".join(_LETTERS[int(place)] for place in self._random.integers(0, len(_LETTERS), length))

    def name(self) -> str:
        """A free name for a sound, which tells nothing."""
        while (name := f"c{self.word(6)}") in self._taken:
            pass
        self._taken.add(name)
        return name

    def key(self) -> bytes:
        return self._random.bytes(32)

    def shuffle(self, items: list[Any]) -> None:
        order = self._random.permutation(len(items))
        items[:] = [items[int(place)] for place in order]


SAME_MOMENT_S = 0.001


def vote_members(
    request: PageRequest, tracks: Sequence[PageTrack], good: Mapping[int, Prediction]
) -> list[int]:
    """The versions that are voted on. Raises UsageError where there are none, or the rounds do not fit."""
    members = vote_group(tracks, good)
    problem = problem_of(_plan(request, members, 0, 0.0, None))
    if problem:
        raise UsageError(problem, "Change --vote, or choose the versions with --tracks.")
    return members


def vote_group(tracks: Sequence[PageTrack], good: Mapping[int, Prediction]) -> list[int]:
    """The versions of the first song with two or more that play here. Raises UsageError where there
    is none."""
    groups = song_groups([one for one in tracks if one.number - 1 in good and one.track.role == "master"])
    if not groups:
        raise UsageError(
            "A vote needs two to four versions of one song.",
            'Give them the same song = "…" in the playlist, or give two files.',
        )
    return [one.number - 1 for one in groups[0]]


def _plan(
    request: PageRequest, members: Sequence[int], seed: int, difference_lu: float, place: Place | None
) -> TrialPlan:
    return TrialPlan(
        kind="preference",
        versions=_told_apart([request.tracks[index].track.title for index in members]),
        rounds=request.rounds,
        seed=seed,
        state="matched",
        level_difference_lu=difference_lu,
        passage_start_s=place.passage.start_s if place else 0.0,
        passage_s=place.passage.seconds if place else 0.0,
        passage_reason=place.passage.reason if place else "",
    )


def _shared_places(
    request: PageRequest, members: Sequence[int], places: Mapping[int, Sequence[Place]]
) -> list[list[int]]:
    """The passages that are voted on, each the same moment of the song in all versions: its number in each.
    Where the request names none, the first mark counts, since the engineer has chosen it, else the first
    passage. Raises UsageError where there is none."""
    own = sorted(places[members[0]], key=lambda place: place.kind == "change")
    own.sort(key=lambda place: place.kind != "mark")
    wanted: list[Place] = []
    for word in _named(request.vote_passages, own):
        found = [place for place in own if word in (place.kind, label_of(place).casefold())]
        if not found:
            raise UsageError(
                f"--vote-passage: there is no passage “{word}”.",
                f"These are: {', '.join(label_of(place) for place in own)}.",
            )
        wanted += [place for place in found[:1] if place not in wanted]
    if wanted:
        shared = [_in_all(place, request, members, places) for place in wanted]
    else:
        shared = [
            next((numbers for place in own if (numbers := _in_all(place, request, members, places))), [])
        ]
    if not all(shared):
        raise UsageError(
            "The versions share no passage.", "Use a smaller --seconds, or leave one out by --tracks."
        )
    return shared


def _named(words: Sequence[str], own: Sequence[Place]) -> list[str]:
    """The passages as the request names them, several with commas; a label may hold one itself."""
    labels = {label_of(place).casefold() for place in own}
    parts = [[word] if word.casefold() in labels else word.split(",") for word in words]
    return [part.strip().casefold() for each in parts for part in each if part.strip()]


def _in_all(
    place: Place, request: PageRequest, members: Sequence[int], places: Mapping[int, Sequence[Place]]
) -> list[int]:
    """The number of a passage of the first version in each of them; empty where one has it not."""
    offsets = request.offsets_s or {}
    moment = place.passage.start_s - offsets.get(members[0], 0.0)
    numbers = []
    for index in members:
        for number, other in enumerate(places[index]):
            same = abs(other.passage.start_s - offsets.get(index, 0.0) - moment) < SAME_MOMENT_S
            if same and (other.kind, other.label) == (place.kind, place.label):
                numbers.append(number)
                break
    return numbers if len(numbers) == len(members) else []


def _spread(drawn: Sequence[Round], passages: int, chance: Chance) -> tuple[int, ...]:
    """The passage of each round: every pair of versions comes in each equally often, plus or minus one, in
    random order."""
    rounds = [0] * len(drawn)
    pairs: dict[frozenset[int], list[int]] = {}
    for number, one in enumerate(drawn):
        pairs.setdefault(frozenset((one.first, one.second)), []).append(number)
    for numbers in pairs.values():
        chance.shuffle(numbers)
        for turn, number in enumerate(numbers):
            rounds[number] = turn % passages
    return tuple(rounds)


def _told_apart(titles: Sequence[str]) -> tuple[str, ...]:
    """Titles, with a number where two are the same."""
    return tuple(
        f"{title} ({place})" if titles.count(title) > 1 else title for place, title in enumerate(titles, 1)
    )


def vote_of(
    request: PageRequest,
    members: Sequence[int],
    places: Mapping[int, Sequence[Place]],
    cuts: Mapping[int, Cuts],
    title: str,
    page: str,
    chance: Chance,
) -> tuple[Ballot, PageVote, list[Clip]]:
    """The ballot of the page with this id, what the page shows of it, and its sounds."""
    rate = cuts[members[0]].rate
    shared = _shared_places(request, members, places)
    made = []
    for numbers in shared:
        played = [
            converted(cuts[index].played[number], cuts[index].rate, rate)
            for index, number in zip(members, numbers, strict=True)
        ]
        try:
            made.append(vote_sounds(played, rate, [chance.name() for _ in members], chance.number()))
        except ValueError as problem:
            raise UsageError(f"The vote cannot be held: {problem}.", "Use another --seconds.") from None
    heard = [places[members[0]][numbers[0]] for numbers in shared]
    plan = _plan(request, members, chance.number(), max(one.difference_lu for one in made), heard[0])
    contents = []
    for number in range(len(members)):
        digest = hashlib.sha256()
        for one in made:
            digest.update(one.clips[number].stored.samples.tobytes())
        contents.append(digest.hexdigest())
    drawn = draw(plan.kind, len(members), plan.rounds, plan.seed)
    ballot = Ballot(page, plan, tuple(contents), drawn)
    if len(shared) > 1:
        labels = tuple(f"{label_of(one)}, {format_time(one.passage.start_s)}" for one in heard)
        ballot = replace(ballot, passages=labels, round_passages=_spread(drawn, len(shared), chance))
    clips = [clip for one in made for clip in one.clips]
    shown = list(range(len(clips)))
    chance.shuffle(shown)
    reasons = [one.passage.reason for one in heard]
    vote = page_vote(ballot, drawn, shown, [clip.name for clip in clips], title, reasons)
    return ballot, vote, clips


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
    trial, sentences = begin(plan), []
    for wanted in range(plan.rounds + 1):
        answers: list[Letter] = [
            "A" if (number < wanted) is (pair.first == 0) else "B" for number, pair in enumerate(trial.draws)
        ]
        outcome = result(replace(trial, answers=tuple(answers)))
        assert isinstance(outcome, PreferenceResult)
        sentences.append(result_sentences(plan, outcome)[0])
    return sentences
