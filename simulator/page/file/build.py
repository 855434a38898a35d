"""Build of the page: passages cut and encoded, the vote drawn, one HTML file written.

Everything random (the page's id, the neutral names of its sounds, the key that hides names, the vote's draws,
the dither) comes from one seed that is drawn here, so that a test can repeat a page.

A page reads its files several times: to measure, to play, to check, and to cut its passages, which ends at
the last one and so cannot hash the whole file. What the disk says of a file is noted before the first
reading; where it says something else at the end, the file is read whole once more. Only other samples are
refused: a copy of the same, or a time that a backup has set, changes nothing on the page.
"""

from __future__ import annotations

import base64
import os
import secrets
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from simulator import __version__
from simulator.blind_test.ballot import Ballot
from simulator.common.errors import SimulatorError, UsageError
from simulator.common.text import visible
from simulator.common.units import format_time
from simulator.engine.measure import Job, Result, measure_all
from simulator.engine.predict import CEILING_DBTP, MeasuredTrack
from simulator.normalizer.prediction import Prediction, chain_settings
from simulator.page import listen
from simulator.page.clips import Cut, sounds
from simulator.page.content import PageContent, PageTrack, looks, page_title
from simulator.page.file.ballot import Chance, vote_group, vote_members, vote_of
from simulator.page.file.cut_passages import CutJob, Cuts, cut_all, flac
from simulator.page.file.request import PageRequest
from simulator.page.html import html
from simulator.page.listen import HeardTrack, Offer
from simulator.page.passages import ChangeMoment, DeskMark, Place, TrackEnergy, choose
from simulator.page.plain_words import change_words
from simulator.playlists.playlist import Playlist
from simulator.storage.measurement_cache import Store
from simulator.storage.small_files import Stamp, changed_file_error, changed_since, stamp_of
from simulator.storage.writing import refuse_existing, whole_file

Stamps = Mapping[str, Stamp | None]


def stamps_of(playlist: Playlist) -> Stamps:
    """What the disk says of each file now, by path; to be taken before any of them is read."""
    return {track.path: stamp_of(track.path) for track in playlist.tracks}


def refuse_changed(tracks: Sequence[MeasuredTrack], stamps: Stamps, store: Store) -> None:
    """Raises AudioError for the first file that holds something else by now than what was measured."""
    doubtful = [
        track
        for track in tracks
        if track.measurement is not None and changed_since(track.track.path, stamps.get(track.track.path))
    ]
    again = measure_all([Job(one.track.path, CEILING_DBTP) for one in doubtful], store, 1)
    for one, now in zip(doubtful, again, strict=True):
        if not isinstance(now, Result) or now.content != one.content:
            raise changed_file_error(
                one.track.path, "No page was written; make it again, when nothing writes into the file."
            )


TEMPLATES = Path(__file__).resolve().parent.parent / "templates"
CHANGES = 3
"""Moments at which a loud version is heard against the open one."""
LARGE_BYTES = 15_000_000
"""Many mail systems refuse more than about this; common practice, no source."""


@dataclass(frozen=True, slots=True)
class BuiltPage:
    """The page before it is written, its id, the ballot of its vote, and what went wrong with a track."""

    text: str
    page: str
    ballot: Ballot | None
    problems: list[SimulatorError]

    @property
    def size_bytes(self) -> int:
        return len(self.text.encode("utf-8"))


def build(request: PageRequest, step: Callable[[], None] = lambda: None) -> BuiltPage:
    """The whole page in memory; `step` is called once for each track cut. Raises UsageError where a vote
    is asked for and cannot be held."""
    chance = Chance(secrets.randbits(62) if request.seed is None else request.seed)
    tracks = _page_tracks(request)
    good = _good(request)
    members = vote_members(request, tracks, good) if request.rounds else []
    name = chance.word(10)
    places, cuts, problems = _cut_all(request, good, step)
    offers = _offers(request, good, places, cuts, chance)
    look, profile = looks(tracks), request.profiles[0]
    heard = {}
    for index in cuts:
        delivered, name_and_colour = request.tracks[index], look[index + 1]
        heard[index] = HeardTrack(
            index + 1,
            delivered.track,
            name_and_colour.name,
            name_and_colour.colour,
            good[index],
            0.0 if delivered.measurement is None else delivered.measurement.duration_s,
        )
    content = PageContent(
        title=page_title(
            request.playlist.title, [track.track for track in request.tracks], hidden=request.rounds > 0
        ),
        client=request.playlist.client,
        version=__version__,
        profiles=tuple(request.profiles),
        tracks=tuple(tracks),
        decisions=tuple(request.decisions),
        notes=tuple(request.notes),
        trials=tuple(request.trials),
        findings={index + 1: tuple(found) for index, found in (request.findings or {}).items()},
        engineer=request.engineer,
        listen=listen.view(offers, heard, profile, _compared(request, heard)) if offers else None,
    )
    clips = listen.clips_of(offers)
    vote, ballot = None, None
    if request.rounds:
        if any(index not in cuts for index in members):
            if problems:
                raise problems[0]
            raise UsageError("A version is too short for a vote.", "A passage needs half a second at least.")
        ballot, vote, own = vote_of(request, members, places, cuts, content.title, name, chance)
        clips = [*clips, *own]
        chance.shuffle(clips)
    embedded = {clip.name: base64.b64encode(flac(clip)).decode("ascii") for clip in clips}
    data: Mapping[str, Any] = (
        listen.data(offers, heard, profile, name, content.title) if offers else {"kinds": [], "tracks": {}}
    )
    text = html(content, data, embedded, templates(), chance.key(), vote)
    return BuiltPage(text, name, ballot, problems)


def voted_on(request: PageRequest) -> list[int]:
    """The versions that a vote on this page puts side by side. Raises UsageError where there are none."""
    return vote_group(_page_tracks(request), _good(request))


def _good(request: PageRequest) -> dict[int, Prediction]:
    return {
        index: found
        for index in request.heard
        if isinstance(found := request.predictions[0][index], Prediction)
    }


def write(page: BuiltPage, path: Path, force: bool) -> None:
    """One file, whole or not at all. Raises WriteError."""
    refuse_existing([path], force)
    with whole_file(path, force) as passing:
        passing.write_text(page.text, encoding="utf-8", errors="backslashreplace", newline="\n")


def templates() -> dict[str, str]:
    """The texts that the page is made from, by name."""
    return {
        path.name: path.read_text(encoding="utf-8") for path in sorted(TEMPLATES.iterdir()) if path.is_file()
    }


def _page_tracks(request: PageRequest) -> list[PageTrack]:
    made = []
    for index, one in enumerate(request.tracks):
        found = [row[index] for row in request.predictions]
        problem = next((each for each in (one.problem, *found) if isinstance(each, SimulatorError)), None)
        made.append(
            PageTrack(
                index + 1,
                one.track,
                one.measurement,
                tuple(each if isinstance(each, Prediction) else None for each in found),
                "" if problem is None else _without_folders(problem, one.track.path),
            )
        )
    return made


def _without_folders(problem: SimulatorError, path: str) -> str:
    """What was wrong with a track, for the client: the file by its name alone. Where a folder is still in
    the words, they stay here."""
    words, name = problem.message, Path(path).name
    for form in (path, os.path.abspath(path)):
        words = words.replace(visible(form), visible(name)).replace(form, name)
    folders = {os.path.dirname(os.path.abspath(path)), os.path.expanduser("~"), os.getcwd()} - {os.sep}
    return f"{visible(name)}: could not be read." if any(folder in words for folder in folders) else words


def _cut_all(
    request: PageRequest, good: Mapping[int, Prediction], step: Callable[[], None]
) -> tuple[dict[int, list[Place]], dict[int, Cuts], list[SimulatorError]]:
    """The passages of every track that sounds, cut; a track that fails costs no other."""
    offsets, indices = request.offsets_s or {}, list(good)
    heard = []
    for index in indices:
        track, measured = request.tracks[index].track, request.tracks[index].measurement
        assert measured is not None
        length, later = measured.duration_s, offsets.get(index, 0.0)
        reference = track.role == "reference"
        heard.append(TrackEnergy(track.song, measured.series.energy, length, later, reference))
    marks = [
        DeskMark(indices.index(mark.track), mark.at_s, mark.label)
        for mark in request.marks
        if mark.track in good
    ]
    chosen = choose(heard, request.seconds, marks, _changes(request, indices))
    places = dict(zip(indices, chosen, strict=True))
    profile = request.profiles[0]
    jobs = {
        index: CutJob(
            request.tracks[index].track.path,
            chain_settings(profile, good[index].decision),
            tuple(place.passage for place in places[index]),
            profile.delivery,
            request.tracks[index].content,
            request.keep_in,
        )
        for index in indices
        if places[index]
    }
    done = dict(zip(jobs, cut_all(list(jobs.values()), request.workers, step), strict=True))
    cuts = {index: found for index, found in done.items() if not isinstance(found, SimulatorError)}
    return places, cuts, [found for found in done.values() if isinstance(found, SimulatorError)]


def _compared(request: PageRequest, heard: Container[int]) -> tuple[int, int] | None:
    """The open version and the loud one, where both can be heard and what changed is known."""
    pair = request.changed
    known = pair is not None and pair.audibility.share_audible is not None
    return (pair.open_, pair.loud) if pair and known and pair.open_ in heard and pair.loud in heard else None


def _changes(request: PageRequest, indices: Sequence[int]) -> list[ChangeMoment]:
    """The moments that the page lets hear in both versions."""
    both = _compared(request, indices)
    if both is None or request.changed is None:
        return []
    tracks = (indices.index(both[0]), indices.index(both[1]))
    moments = []
    for moment in sorted(request.changed.audibility.worst(CHANGES), key=lambda moment: moment.at_s):
        at_s = max(0.0, moment.at_s)
        label = f"{format_time(at_s)[:-2]}, {change_words(moment)}"
        moments.append(ChangeMoment(tracks, at_s, moment.length_s, label))
    return moments


def _offers(
    request: PageRequest,
    good: Mapping[int, Prediction],
    places: Mapping[int, Sequence[Place]],
    cuts: Mapping[int, Cuts],
    chance: Chance,
) -> list[Offer]:
    """The rows of passages, in the order in which they first appear."""
    rows: dict[str, dict[int, int]] = {}
    for index in cuts:
        for number, place in enumerate(places[index]):
            rows.setdefault(listen.label_of(place), {})[index] = number
    masters = [index for index in cuts if request.tracks[index].track.role == "master"]
    offers = []
    for label, wanted in rows.items():
        made = [
            Cut(
                index,
                cuts[index].rate,
                cuts[index].delivered[number],
                cuts[index].played[number],
                good[index].decision.gain_db,
                cuts[index].plain,
            )
            for index, number in wanted.items()
        ]
        names = [chance.name() for _ in range(2 * len(made))]
        passage_sounds = sounds(made, masters, names, chance.number())
        offers.append(
            Offer(
                label,
                {index: places[index][number] for index, number in wanted.items()},
                {sound.track: sound for sound in passage_sounds},
            )
        )
    return offers
