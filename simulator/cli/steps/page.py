"""The work of `page`: inputs measured and aligned, the page built, its ballot kept in the session file."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from simulator.blind_test.statistics import fewest_preferences
from simulator.cli.options import CacheOptions, warn
from simulator.cli.output import steps
from simulator.cli.steps.prepare import PreparedPlaylist, as_versions, prepare
from simulator.common.errors import SimulatorError, UsageError, WriteError
from simulator.common.units import format_time
from simulator.delivery.finding import Decided, Finding
from simulator.engine.align import alignment_of, compare_files
from simulator.engine.check import check_delivered
from simulator.engine.playlists import read_arguments
from simulator.page import session_log
from simulator.page.comments import page_act, shown_tracks
from simulator.page.file.build import BuiltPage, Stamps, build, refuse_changed, stamps_of, voted_on
from simulator.page.file.request import ChangedPair, PageRequest
from simulator.playlists.playlist import Track
from simulator.session.acts.trial_offer import MOST_VERSIONS
from simulator.session.log import Act, ballot_act
from simulator.storage.measurement_cache import ENCODED
from simulator.storage.session_file import (
    DECISION,
    Decisions,
    add_act,
    is_record,
    now,
    playlist_of,
    read_record,
    record_of,
)
from simulator.text.findings import verdict

KINDS = ("notes", "marks", "decisions", "trials", "findings")
"""What of a session can be named by --with."""


@dataclass(frozen=True, slots=True)
class PageReady:
    """All that a page is built from: the measured playlist, the offsets of its versions, the session file and
    its acts, the files' stamps from before they were read, and which kinds of acts may go onto the page."""

    prepared: PreparedPlaylist
    offsets_s: dict[int, float]
    record: Path
    acts: tuple[Act, ...]
    stamps: Stamps
    chosen: Sequence[str] = ()

    def acts_for(self, kind: str) -> tuple[Act, ...]:
        """The acts that something of this kind on the page may be made from."""
        return self.acts if kind in self.chosen else ()


def ready_for_page(
    inputs: Sequence[str],
    profiles: Sequence[str],
    chosen: Sequence[str],
    cache: CacheOptions,
) -> PageReady:
    """Reads and measures INPUTS, which may be a session file instead of its playlist. Raises UsageError where
    such a file cannot be read; one that is only beside the playlist is left out with a warning, and not read
    at all where nothing from it was chosen."""
    named = len(inputs) == 1 and is_record(inputs[0])
    words = [str(playlist_of(Path(word))) if is_record(word) else word for word in inputs]
    playlist = as_versions(read_arguments(words))
    record = record_of(inputs, [track.path for track in playlist.tracks])
    acts: tuple[Act, ...] = ()
    try:
        found = read_record(record) if named or chosen else None
        acts = () if found is None else found.acts
    except UsageError as problem:
        if named:
            raise
        warn(f"{problem.message}\n  The page leaves out its {', '.join(chosen)}.")
    stamps = stamps_of(playlist)
    ready = prepare(playlist, profiles, cache)
    ready, offsets = _aligned(ready)
    return PageReady(ready, offsets, record, acts, stamps, chosen)


def chosen_kinds(named: Sequence[str]) -> list[str]:
    """What --with names (notes,decisions), in the order of KINDS. Raises UsageError for any other name."""
    words = [word.strip().casefold() for one in named for word in one.split(",")]
    for word in words:
        if word not in KINDS:
            raise UsageError(
                f"--with: “{word}” is not one of {', '.join(KINDS)}.", "Example: --with notes,decisions"
            )
    return [kind for kind in KINDS if kind in words]


def went_in(ready: PageReady, order: PageRequest) -> list[str]:
    """What is on the page from the session and the check: a line for each kind that was named, and one under
    it for each item."""
    items: dict[str, list[str]] = {
        "notes": list(order.notes),
        "marks": [f"{one.label} (track {one.track + 1}, at {format_time(one.at_s)})" for one in order.marks],
        "decisions": list(order.decisions),
        "trials": list(order.trials),
        "findings": [
            f"{order.tracks[index].track.title}: {verdict(found)}"
            for index, found in sorted((order.findings or {}).items())
        ],
    }
    lines = []
    for kind in ready.chosen:
        lines.append(f"On the page: {kind}: {len(items[kind]) or 'none'}")
        lines += [f"  {one}" for one in items[kind]]
    return lines or ["On the page: nothing from the session (choose with --with)."]


def track_numbers(asked: str | None, count: int) -> list[int]:
    """The places (from 0) that --tracks names: 1,2,5-7. Raises UsageError."""
    if asked is None:
        return list(range(count))
    chosen: dict[int, None] = {}
    for part in asked.split(","):
        match = re.fullmatch(r"\s*(\d+)(?:\s*-\s*(\d+))?\s*", part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if not 1 <= first <= last <= count:
            raise UsageError(
                f"--tracks: “{part.strip()}” is not a track in this list.",
                f"Use numbers from 1 to {count}, such as 1,2 or 1-{count}.",
            )
        chosen.update(dict.fromkeys(range(first - 1, last)))
    return sorted(chosen)


def build_page(
    ready: PageReady,
    heard: Sequence[int],
    seconds: float,
    rounds: int,
    *,
    engineer: str = "",
    vote_passages: Sequence[str] = (),
) -> tuple[BuiltPage, PageRequest]:
    """The page in memory and its order, with progress on standard error. Raises AudioError where a file has
    changed meanwhile."""
    prepared = ready.prepared
    order = PageRequest(
        playlist=prepared.playlist,
        profiles=prepared.profiles,
        tracks=prepared.tracks,
        predictions=prepared.predictions,
        heard=heard,
        seconds=seconds,
        rounds=rounds,
        offsets_s=ready.offsets_s,
        marks=session_log.marks(ready.acts_for("marks"), prepared.playlist.tracks),
        decisions=session_log.decisions(ready.acts_for("decisions")),
        notes=session_log.notes(ready.acts_for("notes")),
        trials=session_log.trials(ready.acts_for("trials")),
        findings=_findings(ready) if "findings" in ready.chosen else {},
        changed=_changed(ready, heard),
        keep_in=None if prepared.cache.folder is None else prepared.cache.folder / ENCODED,
        workers=prepared.cache.workers,
        engineer=engineer,
        vote_passages=vote_passages,
    )
    if rounds:
        _refuse_too_few(len(voted_on(order)), rounds)
    with steps("Cutting", len(heard)) as step:
        page = build(order, step)
    with prepared.cache.store() as store:
        refuse_changed(prepared.tracks, ready.stamps, store)
    return page, order


def _changed(ready: PageReady, heard: Sequence[int]) -> ChangedPair | None:
    """Where the loudest version of the first song is likely to sound different from the least loud one; None
    without a pair, or where that is unknown."""
    files: dict[str, dict[int, float]] = {}
    for index in heard:
        one = ready.prepared.tracks[index]
        lufs = None if one.measurement is None else one.measurement.integrated_lufs
        if one.track.song is not None and lufs is not None:
            files.setdefault(one.track.song, {})[index] = lufs
    group = next((versions for versions in files.values() if len(versions) > 1), None)
    if group is None:
        return None
    loud, open_ = max(group, key=group.__getitem__), min(reversed(group), key=group.__getitem__)
    paths = [ready.prepared.tracks[index].track.path for index in (open_, loud)]
    try:
        with ready.prepared.cache.store() as store:
            *_, found = compare_files(paths[0], paths[1], store)
    except SimulatorError as problem:
        warn(f"{problem.message}\n  The page leaves out where the two differ.")
        return None
    return None if found is None else ChangedPair(open_, loud, found)


def _refuse_too_few(versions: int, rounds: int) -> None:
    """Raises UsageError for a vote in which no set of answers could show a preference."""
    pairs = versions * (versions - 1) // 2
    fewest = fewest_preferences(pairs)
    if versions <= MOST_VERSIONS and rounds < fewest:
        raise UsageError(
            f"--vote {rounds}: with {versions} versions, {rounds} rounds cannot show a preference, even if "
            "every answer agrees.",
            f"Use --vote {fewest} or more. More rounds reveal smaller preferences.",
        )


def _findings(ready: PageReady) -> dict[int, tuple[Finding, ...]]:
    """What the delivery check finds in each master, by place."""
    prepared = ready.prepared
    places = [index for index, one in enumerate(prepared.tracks) if one.track.role == "master"]
    masters = tuple(prepared.tracks[index].track for index in places)
    with prepared.cache.store() as store:
        checkeds = check_delivered(
            replace(prepared.playlist, tracks=masters),
            [prepared.tracks[index] for index in places],
            prepared.profiles,
            [[row[index] for index in places] for row in prepared.predictions],
            _decided(ready, masters),
            store,
            prepared.cache.workers,
        )
    return {index: one.findings for index, one in zip(places, checkeds, strict=True) if one.findings}


def _decided(ready: PageReady, masters: Sequence[Track]) -> list[Decided]:
    """What `check --decision` would hold each master against; nothing where decisions may not be seen, since
    a finding says what was decided."""
    acts = tuple(act for act in ready.acts_for("decisions") if act.kind == DECISION)
    try:
        if acts:
            return Decisions(str(ready.record), acts).of_each(masters)
    except UsageError as problem:
        warn(f"{problem.message}\n  The page checks its masters against no decision.")
    return [Decided()] * len(masters)


def keep_page(ready: PageReady, page: BuiltPage, output: Path) -> list[str]:
    """Puts the page, and the ballot of its vote, into the session file, so that answers can be matched;
    returns lines to print. Raises WriteError where a vote cannot be kept; a page without one is still
    good."""
    tracks = [track.track for track in ready.prepared.tracks]
    act = page_act(now(), page.page, output.name, tracks)
    if page.ballot is not None:
        act = ballot_act(now(), page.ballot, output.name, shown_tracks(tracks))
    try:
        if page.ballot is None:
            read_record(ready.record)  # a damaged one is left as it is for a page that can do without
        kept = add_act(ready.record, ready.prepared.playlist.title, act, warn)
    except (UsageError, WriteError) as problem:
        if page.ballot is not None:
            raise
        warn(f"{problem.message}\n  Comments that come back from this page will not find its tracks.")
        return []
    where = shlex.quote(str(kept))
    if page.ballot is None:
        return [f"When comments come: fairhearing votes MAIL --session {where}"]
    return [
        f"The vote's key is saved in {kept}.",
        f"When the answer comes: fairhearing votes vote-{page.page}.txt --session {where}",
    ]


def _aligned(ready: PreparedPlaylist) -> tuple[PreparedPlaylist, dict[int, float]]:
    """The offset (s) of each version from the first of its song. One that cannot be aligned no longer counts
    as a version on this page, with a warning."""
    first_of: dict[str, int] = {}
    offsets: dict[int, float] = {}
    tracks = list(ready.tracks)
    with ready.cache.store() as store:
        for index, one in enumerate(ready.tracks):
            if one.track.song is None or one.measurement is None:
                continue
            leader = first_of.setdefault(one.track.song, index)
            if leader == index:
                offsets[index] = 0.0
                continue
            try:
                alignment = alignment_of(ready.tracks[leader].track.path, one.track.path, store)
            except SimulatorError as problem:
                warn(f"{problem.message}\n  It plays at its own passages.")
                tracks[index] = replace(one, track=replace(one.track, song=None))
                continue
            if alignment.offset_frames is None or alignment.edits or not alignment.fits:
                warn(f"{one.track.path}: {alignment.reason}\n  It plays at its own passages.")
                tracks[index] = replace(one, track=replace(one.track, song=None))
            else:
                offsets[index] = alignment.offset_frames / alignment.second_rate
    return replace(ready, tracks=tracks), offsets
