"""Versions of a page's vote, and what of them goes into the page.

Chance of a page, from one seed, so that the page can be made again.

Drawn are the page's id, the neutral names of its sounds, the curtain's key, the seeds of the vote's draws
and of the dither, and the order in which sounds stand.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from simulator.blind_test.ballot import Ballot
from simulator.blind_test.trial import TrialPlan, draw, problem_of
from simulator.common.errors import UsageError
from simulator.normalizer.prediction import Prediction
from simulator.page.clips import Clip, VoteSound, vote_sounds
from simulator.page.file.audio import Cuts, converted
from simulator.page.file.request import PageOrder
from simulator.page.html import PageVote
from simulator.page.listen import label_of
from simulator.page.passages import Place
from simulator.page.values import PageTrack, song_groups
from simulator.page.vote import page_vote

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


def vote_members(order: PageOrder, tracks: Sequence[PageTrack], good: Mapping[int, Prediction]) -> list[int]:
    """The versions that are voted on. Raises UsageError where there are none, or the rounds do not fit."""
    members = vote_group(tracks, good)
    problem = problem_of(_plan(order, members, 0, 0.0, None))
    if problem:
        raise UsageError(problem, "Change --vote, or choose the versions with --tracks.")
    return members


def vote_group(tracks: Sequence[PageTrack], good: Mapping[int, Prediction]) -> list[int]:
    """The versions of the first song with two or more of them that sound here. Raises UsageError where there
    is none."""
    groups = song_groups([one for one in tracks if one.number - 1 in good and one.track.role == "master"])
    if not groups:
        raise UsageError(
            "A vote needs two to four versions of one song.",
            'Give them the same song = "…" in the playlist, or give two files.',
        )
    return [one.number - 1 for one in groups[0]]


def _plan(
    order: PageOrder, members: Sequence[int], seed: int, difference_lu: float, place: Place | None
) -> TrialPlan:
    return TrialPlan(
        kind="preference",
        versions=tuple(_names([order.tracks[index].track.title for index in members])),
        rounds=order.rounds,
        seed=seed,
        state="matched",
        level_difference_lu=difference_lu,
        passage_start_s=place.passage.start_s if place else 0.0,
        passage_s=place.passage.seconds if place else 0.0,
        passage_reason=place.passage.reason if place else "",
    )


def _shared_place(
    order: PageOrder, members: Sequence[int], places: Mapping[int, Sequence[Place]]
) -> list[int]:
    """The passage that is voted on, the same moment of the song in all versions: its number in each. Where
    the order names none, the first mark counts, since the engineer has chosen it, else the first passage.
    Raises UsageError where there is none."""
    offsets, wanted = order.offsets_s or {}, order.vote_passage.casefold()
    own = sorted(places[members[0]], key=lambda place: place.kind != "mark")
    chosen = [place for place in own if not wanted or wanted in (place.kind, label_of(place).casefold())]
    if own and not chosen:
        raise UsageError(
            f"--vote-passage: there is no passage “{order.vote_passage}”.",
            f"These are: {', '.join(label_of(place) for place in own)}.",
        )
    for place in chosen:
        moment = place.passage.start_s - offsets.get(members[0], 0.0)
        found = []
        for index in members:
            for number, other in enumerate(places[index]):
                same = abs(other.passage.start_s - offsets.get(index, 0.0) - moment) < SAME_MOMENT_S
                if same and (other.kind, other.label) == (place.kind, place.label):
                    found.append(number)
                    break
        if len(found) == len(members):
            return found
    raise UsageError(
        "The versions share no passage.", "Use a smaller --seconds, or leave one out by --tracks."
    )


def _names(titles: Sequence[str]) -> Iterator[str]:
    """Titles, told apart by a number where two are the same."""
    for place, title in enumerate(titles):
        yield f"{title} ({place + 1})" if titles.count(title) > 1 else title


def vote_of(
    order: PageOrder,
    members: Sequence[int],
    places: Mapping[int, Sequence[Place]],
    cuts: Mapping[int, Cuts],
    title: str,
    page: str,
    chance: Chance,
) -> tuple[Ballot, PageVote, list[Clip]]:
    """The ballot of the page with this id, what the page shows of it, and its sounds."""
    rate = cuts[members[0]].rate
    numbers = _shared_place(order, members, places)
    played = [
        converted(cuts[index].played[number], cuts[index].rate, rate)
        for index, number in zip(members, numbers, strict=True)
    ]
    try:
        made: VoteSound = vote_sounds(played, rate, [chance.name() for _ in members], chance.number())
    except ValueError as problem:
        raise UsageError(f"The vote cannot be held: {problem}.", "Use another --seconds.") from None
    plan = _plan(order, members, chance.number(), made.difference_lu, places[members[0]][numbers[0]])
    contents = tuple(hashlib.sha256(clip.stored.samples.tobytes()).hexdigest() for clip in made.clips)
    drawn = draw(plan.kind, len(members), plan.rounds, plan.seed)
    ballot = Ballot(page, plan, contents, drawn)
    shown = list(range(len(members)))
    chance.shuffle(shown)
    vote = page_vote(ballot, drawn, shown, [clip.name for clip in made.clips], title)
    return ballot, vote, list(made.clips)
