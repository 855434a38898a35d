"""Delivery check of files: measured, scanned, delivered, played, and the findings put together.

How far the output must come down for a codec is found by doing it: rounds of lowered deliveries over all
masters at once, each ending where the new peak is under the limit.

The last decision in a session file.

A decision is an act of the kind "decision" with `destination` (words), `target_lufs` and `ceiling_dbtp`
(numbers, or null where that was not decided), and beside them who and why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from simulator.audio_files.reader import AudioInfo, AudioReader, is_lossy
from simulator.codecs.codec import encoder_gain_db
from simulator.common.errors import SimulatorError, UsageError
from simulator.delivery.album_findings import AlbumTrack, album_findings, runs_on
from simulator.delivery.channel_findings import channel_findings
from simulator.delivery.edge_findings import edge_findings
from simulator.delivery.file_findings import file_findings
from simulator.delivery.finding import Decided, Finding
from simulator.delivery.level_findings import level_findings
from simulator.delivery.player_findings import player_finding
from simulator.delivery.scan import Scan, scan
from simulator.delivery.step_findings import (
    MOST_TRIES,
    Cure,
    aim_dbtp,
    judged,
    missed_limit,
    next_lowering_db,
    step_finding,
)
from simulator.engine import workers as pool
from simulator.engine.measure import Job, Result, do_all
from simulator.engine.predict import Delivered, deliver, predict, step_jobs
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import NAMED_ALBUMS, Playlist, Track
from simulator.session.log import Act, from_json
from simulator.storage.measurement_cache import Store
from simulator.storage.small_files import LARGEST_RECORD_BYTES, read_small

KIND = "decision"
_RANGES = {"target_lufs": (-60.0, 0.0), "ceiling_dbtp": (-40.0, 6.0)}
"""What `check --target` and `--ceiling` take too."""


def last_decided(acts: Iterable[Act]) -> Decided | None:
    """What was decided last, or None where nothing measurable was."""
    for act in reversed([one for one in acts if one.kind == KIND]):
        try:
            return _decided("the session file", act)
        except UsageError:
            continue
    return None


def read_decided(path: str) -> Decided:
    """Raises UsageError for a file that is no record, holds no decision, or decides nothing measurable."""
    try:
        data = read_small(path, LARGEST_RECORD_BYTES)
    except OSError as problem:
        raise UsageError(
            f"{path}: cannot read the session file: {problem.strerror or problem}.", "Check the path."
        ) from None
    try:
        record = from_json(data)
    except UsageError as problem:
        problem.message = f"{path}: {problem.message}"
        raise
    acts = record.of_kind(KIND)
    if not acts:
        raise UsageError(
            f"{path}: this session file contains no decision.",
            "Decide in the session first, or use --target and --ceiling.",
        )
    return _decided(path, acts[-1])


def _decided(path: str, last: Act) -> Decided:
    target, ceiling = (_number(path, last.data, key) for key in ("target_lufs", "ceiling_dbtp"))
    if target is None and ceiling is None:
        raise UsageError(
            f"{path}: its last decision sets neither loudness nor ceiling.", "Use --target and --ceiling."
        )
    destination = last.data.get("destination")
    return Decided(target, ceiling, destination if isinstance(destination, str) else "", f"on {last.at[:10]}")


def _number(path: str, data: dict[str, Any], key: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{path}: {key} of the last decision is {value!r}, not a number.", "Decide again.")
    low, high = _RANGES[key]
    if not low <= value <= high:
        raise UsageError(
            f"{path}: {key} of the last decision is outside {low:g} to {high:g}.", "Decide again."
        )
    return float(value)


POOL_PAYS_SECONDS = 1000.0
"""Seconds of music from which several processes scan: scanning is some 400 times faster than playing."""
Step = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Checked:
    """One master: its findings, and why there are none or not all."""

    track: Track
    findings: tuple[Finding, ...]
    problem: SimulatorError | None


@dataclass(frozen=True, slots=True)
class Scanned:
    """What a file is and what its samples show."""

    info: AudioInfo
    scan: Scan


def scan_file(path: str) -> Scanned:
    """Raises AudioError."""
    with AudioReader(path, hashed=False) as reader:
        return Scanned(reader.info, scan(reader, reader.info.sample_rate, reader.info.channels))


def masters_of(playlist: Playlist) -> Playlist:
    """Without the references, which others have delivered."""
    return replace(playlist, tracks=tuple(track for track in playlist.tracks if track.role == "master"))


def check(
    playlist: Playlist,
    profiles: Sequence[Profile],
    decided: Decided,
    store: Store,
    workers: int,
    *,
    as_album: bool = False,
    step: Step = lambda: None,
) -> list[Checked]:
    """The findings for every master of the playlist, in order. With `as_album` the masters are one album in
    that order; else only albums that the playlist names are looked at as such."""
    tracks = deliver(playlist, store, workers, step)
    predictions = predict(profiles, tracks, playlist.album_reason, store, workers, step)
    return check_delivered(
        playlist, tracks, profiles, predictions, decided, store, workers, as_album=as_album
    )


def check_delivered(
    playlist: Playlist,
    tracks: Sequence[Delivered],
    profiles: Sequence[Profile],
    predictions: Sequence[Sequence[Prediction | SimulatorError | None]],
    decided: Decided,
    store: Store,
    workers: int,
    *,
    as_album: bool = False,
) -> list[Checked]:
    """The same for tracks that are measured and predicted already (a row of `predictions` a profile)."""
    scans = _scans(tracks, workers)
    steps = _steps(tracks, profiles, decided, store, workers)
    albums, following = _albums(playlist, tracks, scans, as_album)
    checked = []
    for place, (one, scanned) in enumerate(zip(tracks, scans, strict=True)):
        played = [row[place] for row in predictions]
        problem = one.problem or next(
            (found for found in (scanned, *played, *steps[place]) if isinstance(found, SimulatorError)), None
        )
        if one.measurement is None or not isinstance(scanned, Scanned):
            checked.append(Checked(one.track, (), problem))
            continue
        after = following.get(place)
        on = after is not None and runs_on(scanned.scan) and after.head_s <= 0.001
        info = scanned.info
        findings = [
            *level_findings(one.measurement, decided),
            *(found for found in steps[place] if isinstance(found, Finding)),
            *file_findings(scanned.scan, None if info.lossy else info.bits, info.lossy, info.subtype),
            *channel_findings(one.measurement, scanned.scan),
            *edge_findings(scanned.scan, runs_on=on),
            *albums.get(place, []),
            *(
                player_finding(profile, found)
                for profile, found in zip(profiles, played, strict=True)
                if isinstance(found, Prediction)
            ),
        ]
        # a player or a delivery that cannot be worked out costs its own findings and no others
        checked.append(Checked(one.track, tuple(findings), problem))
    return checked


def _scans(tracks: Sequence[Delivered], workers: int) -> list[Scanned | SimulatorError | None]:
    """In a worker where a decoder could crash; None for what could not be measured."""
    paths = [one.track.path for one in tracks if one.measurement is not None]
    seconds = sum(one.measurement.duration_s for one in tracks if one.measurement is not None)
    count = workers if len(paths) > 1 and seconds > POOL_PAYS_SECONDS else 0
    if not count and not pool.stays_in_process() and any(map(is_lossy, paths)):
        count = 1
    done = iter(pool.in_order(pool.run(scan_file, paths, count, str), len(paths), lambda: None))
    return [None if one.measurement is None else next(done) for one in tracks]


def _steps(
    tracks: Sequence[Delivered], profiles: Sequence[Profile], decided: Decided, store: Store, workers: int
) -> list[list[Finding | SimulatorError]]:
    """For each track the peaks after each different step of all profiles' deliveries, with their cures."""
    names: list[dict[Job, str]] = [
        {job: name for profile in profiles for name, job in step_jobs(profile, one)} for one in tracks
    ]
    jobs = list(dict.fromkeys(job for row in names for job in row))
    done = dict(zip(jobs, do_all(jobs, store, workers), strict=True))
    cures = _cures({job: found.measurement for job, found in done.items() if isinstance(found, Result)},
                   decided, store, workers)  # fmt: skip
    rows: list[list[Finding | SimulatorError]] = []
    for row in names:
        findings: list[Finding | SimulatorError] = []
        for job, name in row.items():
            found = done[job]
            findings.append(
                found
                if isinstance(found, SimulatorError)
                else step_finding(
                    name, found.measurement, decided, cures.get(job), encoder_gain_db(job.delivery)
                )
            )
        rows.append(findings)
    return rows


def _cures(found: dict[Job, Measurement], decided: Decided, store: Store, workers: int) -> dict[Job, Cure]:
    """For each step that misses a limit: the output lowered and all done again, MOST_TRIES times at most."""
    cures: dict[Job, Cure] = {}
    aim = aim_dbtp(decided)
    left = [job for job, one in found.items() if missed_limit(one, decided) is not None]
    for _ in range(MOST_TRIES):
        if not left:
            break
        tries = {}
        for job in left:
            peak = cures[job].proof_dbtp if job in cures else found[job].true_peak_dbtp or 0.0
            tries[job] = next_lowering_db(cures.get(job), peak, aim)
        lowered = [replace(job, before_db=-tries[job]) for job in left]
        for job, outcome in zip(left, do_all(lowered, store, workers), strict=True):
            if isinstance(outcome, Result):
                cures[job] = judged(tries[job], outcome.measurement.true_peak_dbtp, aim)
        left = [job for job in left if job in cures and not cures[job].reached]
    return cures


def _albums(
    playlist: Playlist,
    tracks: Sequence[Delivered],
    scans: Sequence[Scanned | SimulatorError | None],
    as_album: bool,
) -> tuple[dict[int, list[Finding]], dict[int, Scan]]:
    """By place: the findings within the album, and the scan of the track that follows in it. Of versions of
    one song only the first counts."""
    groups: dict[str, list[int]] = {}
    songs: set[tuple[str, str]] = set()
    for place, (one, scanned) in enumerate(zip(tracks, scans, strict=True)):
        named = one.track.album if playlist.album_reason == NAMED_ALBUMS else None
        album = "" if as_album else named
        if album is None or not isinstance(scanned, Scanned) or one.measurement is None:
            continue
        song = one.track.song
        if song is not None and (album, song) in songs:
            continue
        if song is not None:
            songs.add((album, song))
        groups.setdefault(album, []).append(place)
    findings: dict[int, list[Finding]] = {}
    following: dict[int, Scan] = {}
    for places in groups.values():
        members = []
        for place in places:
            scanned, found = scans[place], tracks[place].measurement
            assert isinstance(scanned, Scanned)
            assert found is not None
            track = tracks[place].track
            bits = None if scanned.info.lossy else scanned.info.bits
            members.append(AlbumTrack(track.title, found, scanned.scan, bits, track.album_order))
        findings.update(zip(places, album_findings(members), strict=True))
        following.update({place: member.scan for place, member in zip(places[:-1], members[1:], strict=True)})
    return findings, following
