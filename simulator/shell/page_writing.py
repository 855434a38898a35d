"""How does the client's page come about? Passages cut and encoded, the vote drawn, one HTML file written.

Chance (the page's id, the neutral names of its sounds, the curtain's key, the vote's draws, the dither)
comes from one seed that is drawn here, so that a test can repeat a page.
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simulator import __version__
from simulator.errors import SimulatorError, UsageError
from simulator.hearing.trial import TrialPlan, problem_of
from simulator.hearing.trial_ballot import Ballot
from simulator.hearing.trial_draw import draw
from simulator.player.playlist import Playlist
from simulator.player.prediction import Prediction, chain_settings
from simulator.player.profile import Profile
from simulator.report import page_listen
from simulator.report.page import EmbeddedClip, PageVote, html
from simulator.report.page_clips import Clip, Cut, VoteSound, sounds, vote_sounds
from simulator.report.page_content import PageContent, PageTrack, song_groups
from simulator.report.page_listen import Offer
from simulator.report.page_places import Heard, Mark, Place, choose
from simulator.report.page_vote import page_vote
from simulator.shell.passages_audio import CutJob, Cuts, converted, cut, flac
from simulator.shell.predicting import Delivered
from simulator.shell.writing import refuse_existing, whole_file

TEMPLATES = Path(__file__).resolve().parent.parent / "report" / "page_templates"
LARGE_BYTES = 20_000_000
"""Many mail systems refuse more than about this; common practice, no source."""
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


@dataclass(frozen=True, slots=True)
class PageOrder:
    """What the page is asked to be. `predictions` has a row for each profile; `heard` are the places of
    the tracks that sound on it; `rounds` of the vote, or 0 for none; `offsets_s` says by how much each
    track lies later than the first version of its song."""

    playlist: Playlist
    profiles: Sequence[Profile]
    tracks: Sequence[Delivered]
    predictions: Sequence[Sequence[Prediction | SimulatorError | None]]
    heard: Sequence[int]
    seconds: float
    rounds: int = 0
    offsets_s: Mapping[int, float] | None = None
    marks: Sequence[Mark] = ()
    decisions: Sequence[str] = ()
    notes: Sequence[str] = ()
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class BuiltPage:
    """The page before it is written, the ballot of its vote, and what went wrong with single tracks."""

    text: str
    ballot: Ballot | None
    problems: list[SimulatorError]

    @property
    def size_bytes(self) -> int:
        return len(self.text.encode("utf-8"))


def build(order: PageOrder, step: Callable[[], None] = lambda: None) -> BuiltPage:
    """The whole page in memory; `step` is called once for each track cut. Raises UsageError where a vote
    is asked for and cannot be held."""
    chance = _Chance(secrets.randbits(62) if order.seed is None else order.seed)
    tracks = _page_tracks(order)
    good = {
        index: found for index in order.heard if isinstance(found := order.predictions[0][index], Prediction)
    }
    members = _vote_members(order, tracks, good) if order.rounds else []
    places, cuts, problems = _cut_all(order, good, step)
    offers = _offers(order, places, cuts, chance)
    heard = {index: good[index] for index in cuts}
    named = {index: (index + 1, order.tracks[index].track) for index in cuts}
    content = PageContent(
        title=order.playlist.title or "Listening page",
        client=order.playlist.client,
        version=__version__,
        profiles=tuple(order.profiles),
        tracks=tuple(tracks),
        decisions=tuple(order.decisions),
        notes=tuple(order.notes),
        listen=page_listen.view(offers, named, heard) if offers else None,
    )
    clips = page_listen.clips_of(offers)
    vote, ballot = None, None
    if order.rounds:
        missing = [index for index in members if index not in cuts]
        if missing:
            raise problems[0]
        ballot, vote, own = _vote(order, members, places, cuts, content.title, chance)
        clips = [*clips, *own]
        chance.shuffle(clips)
    embedded = [EmbeddedClip(one.name, base64.b64encode(flac(one)).decode("ascii")) for one in clips]
    data: Mapping[str, Any] = (
        page_listen.data(offers, named, heard) if offers else {"kinds": [], "tracks": {}}
    )
    text = html(content, data, embedded, templates(), chance.key(), vote)
    return BuiltPage(text, ballot, problems)


def write(page: BuiltPage, path: Path, force: bool) -> None:
    """One file, whole or not at all. Raises WriteError."""
    refuse_existing([path], force)
    with whole_file(path, force) as passing:
        passing.write_text(page.text, encoding="utf-8", newline="\n")


def templates() -> dict[str, str]:
    """The texts that the page is made from, by name."""
    return {
        path.name: path.read_text(encoding="utf-8") for path in sorted(TEMPLATES.iterdir()) if path.is_file()
    }


def _page_tracks(order: PageOrder) -> list[PageTrack]:
    made = []
    for index, one in enumerate(order.tracks):
        found = [row[index] for row in order.predictions]
        problem = next((str(one) for one in (one.problem, *found) if isinstance(one, SimulatorError)), "")
        made.append(
            PageTrack(
                index + 1,
                one.track,
                one.measurement,
                tuple(each if isinstance(each, Prediction) else None for each in found),
                problem,
            )
        )
    return made


def _cut_all(
    order: PageOrder, good: Mapping[int, Prediction], step: Callable[[], None]
) -> tuple[dict[int, list[Place]], dict[int, Cuts], list[SimulatorError]]:
    """The passages of every track that sounds, cut; a track that fails costs no other."""
    offsets = order.offsets_s or {}
    indices = list(good)
    heard = []
    for index in indices:
        measured = order.tracks[index].measurement
        assert measured is not None
        song = order.tracks[index].track.song
        heard.append(Heard(song, measured.series.energy, measured.duration_s, offsets.get(index, 0.0)))
    marks = [Mark(indices.index(one.track), one.at_s, one.label) for one in order.marks if one.track in good]
    places = dict(zip(indices, choose(heard, order.seconds, marks), strict=True))
    cuts: dict[int, Cuts] = {}
    problems: list[SimulatorError] = []
    for index, found in good.items():
        if places[index]:
            job = CutJob(
                order.tracks[index].track.path,
                chain_settings(order.profiles[0], found.decision),
                tuple(place.passage for place in places[index]),
            )
            try:
                cuts[index] = cut(job)
            except SimulatorError as problem:
                problems.append(problem)
        step()
    return places, cuts, problems


def _offers(
    order: PageOrder, places: Mapping[int, Sequence[Place]], cuts: Mapping[int, Cuts], chance: _Chance
) -> list[Offer]:
    """The rows of passages, in the order in which they first appear."""
    rows: dict[str, dict[int, int]] = {}
    for index in cuts:
        for number, place in enumerate(places[index]):
            rows.setdefault(page_listen.label_of(place), {})[index] = number
    masters = [index for index in cuts if order.tracks[index].track.role == "master"]
    offers = []
    for label, wanted in rows.items():
        made = [
            Cut(
                index,
                cuts[index].rate,
                cuts[index].delivered[number],
                cuts[index].played[number],
                chain_settings(order.profiles[0], _prediction(order, index).decision),
            )
            for index, number in wanted.items()
        ]
        names = [chance.name() for _ in range(2 * len(made))]
        found = sounds(made, masters, names, chance.number())
        offers.append(
            Offer(
                label,
                {index: places[index][number] for index, number in wanted.items()},
                {sound.track: sound for sound in found},
            )
        )
    return offers


def _prediction(order: PageOrder, index: int) -> Prediction:
    found = order.predictions[0][index]
    assert isinstance(found, Prediction)
    return found


def _vote_members(order: PageOrder, tracks: Sequence[PageTrack], good: Mapping[int, Prediction]) -> list[int]:
    """The versions that are voted on: those of the first song with two or more of them that sound here,
    else two single masters. Raises UsageError where there is no such set, or the rounds do not fit."""
    heard = [one for one in tracks if one.number - 1 in good and one.track.role == "master"]
    groups = song_groups(heard) or ([heard] if len(heard) == 2 else [])
    if not groups:
        raise UsageError(
            "A vote needs two to four versions of one song.",
            'Give them the same song = "…" in the playlist, or name two files.',
        )
    members = [one.number - 1 for one in groups[0]]
    problem = problem_of(_plan(order, members, 0, 0.0, None))
    if problem:
        raise UsageError(problem, "Change --vote, or choose the versions with --tracks.")
    return members


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


def _names(titles: Sequence[str]) -> Iterator[str]:
    """Titles, told apart by a number where two are the same."""
    for place, title in enumerate(titles):
        yield f"{title} ({place + 1})" if titles.count(title) > 1 else title


def _vote(
    order: PageOrder,
    members: Sequence[int],
    places: Mapping[int, Sequence[Place]],
    cuts: Mapping[int, Cuts],
    title: str,
    chance: _Chance,
) -> tuple[Ballot, PageVote, list[Clip]]:
    """The ballot, what the page shows of it, and its sounds."""
    rate = cuts[members[0]].rate
    labels = [page_listen.label_of(place) for place in places[members[0]]]
    for index in members[1:]:
        own = [page_listen.label_of(place) for place in places[index]]
        labels = [label for label in labels if label in own]
    if not labels:
        raise UsageError("The versions share no passage.", "Use a smaller --seconds.")
    played = []
    for index in members:
        number = next(i for i, p in enumerate(places[index]) if page_listen.label_of(p) == labels[0])
        played.append(converted(cuts[index].played[number], cuts[index].rate, rate))
    try:
        made: VoteSound = vote_sounds(played, rate, [chance.name() for _ in members], chance.number())
    except ValueError as problem:
        raise UsageError(f"The vote cannot be held: {problem}.", "Use another --seconds.") from None
    plan = _plan(order, members, chance.number(), made.difference_lu, places[members[0]][0])
    contents = tuple(hashlib.sha256(clip.stored.samples.tobytes()).hexdigest() for clip in made.clips)
    ballot = Ballot(chance.word(10), plan, contents)
    shown = list(range(len(members)))
    chance.shuffle(shown)
    drawn = draw(plan.kind, len(members), plan.rounds, plan.seed)
    vote = page_vote(ballot, drawn, shown, [clip.name for clip in made.clips], title)
    return ballot, vote, list(made.clips)


class _Chance:
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
