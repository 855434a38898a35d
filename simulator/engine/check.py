"""Delivery check of files: measured, scanned, delivered, played, and the findings put together.

How far the output must be turned down for all steps to hold is found by doing it: rounds of conversions and
encodings at lower levels over all masters at once, each ending where all new peaks are under their limits.
The masters of an album get one gain, so that their relations stay.

Decisions in a session file.

A decision is an act of the kind "decision" with `destination` (words), `target_lufs` and `ceiling_dbtp`
(numbers, or null where that was not decided), and beside them who and why. The last one counts, or the last
one for a destination that is named.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioInfo, AudioReader, is_lossy
from simulator.codecs.codec import encoder_gain_db
from simulator.codecs.deliver import delivery_steps
from simulator.common.errors import AudioError, SimulatorError, UsageError
from simulator.common.text import printed_gap
from simulator.common.units import TIE_LU
from simulator.delivery.album import (
    AlbumLevel,
    AlbumTrack,
    album_findings,
    album_level,
    runs_on,
)
from simulator.delivery.file_findings import channel_findings, edge_findings, file_findings, within_after
from simulator.delivery.finding import Decided, Finding, Move
from simulator.delivery.level_findings import (
    MET_LU,
    NEAR_LU,
    level_findings,
    player_finding,
    room_db,
    tag_findings,
)
from simulator.delivery.scan import Scan, scan
from simulator.delivery.step_findings import (
    MORE_DB,
    MOST_TRIES,
    PEAK_CHECKS,
    Playback,
    Step,
    first_gain_db,
    missed_limit,
    missing_db,
    step_finding,
    upward_db,
)
from simulator.engine import workers as pool
from simulator.engine.measure import Job, Result, measure_all
from simulator.engine.predict import MeasuredTrack, measure_tracks, predict, step_jobs
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Playlist, Track, album_places
from simulator.session.log import Act, from_json
from simulator.storage.measurement_cache import Store
from simulator.storage.small_files import (
    LARGEST_RECORD_BYTES,
    changed_file_error,
    changed_since,
    read_small,
    stamp_of,
)

KIND = "decision"
_RANGES = {"target_lufs": (-60.0, 0.0), "ceiling_dbtp": (-40.0, 6.0)}
"""What `check --target` and `--ceiling` take too."""


def last_decided(acts: Iterable[Act]) -> Decided | None:
    """What was decided last, or None where nothing measurable was."""
    for act in reversed([act for act in acts if act.kind == KIND]):
        try:
            return _decided("the session file", act)
        except UsageError:
            continue
    return None


@dataclass(frozen=True, slots=True)
class Decisions:
    """The decisions of a session file, and the destination that counts where none is named (empty: the last
    decision of all)."""

    path: str
    acts: tuple[Act, ...]
    destination: str = ""

    def of(self, destination: str | None = None) -> Decided:
        """The last decision for a destination (its name, or how the name begins; case does not matter).
        Raises UsageError where there is none, or where it decides nothing measurable."""
        name = self.destination if destination is None else destination
        wanted = name.strip().casefold()
        named = [str(act.data.get("destination") or "") for act in self.acts]
        pairs = list(zip(self.acts, named, strict=True))
        fitting = [act for act, one in pairs if not wanted or one.casefold() == wanted]
        fitting = fitting or [act for act, one in pairs if one.casefold().startswith(wanted)]
        if not fitting:
            known = ", ".join(dict.fromkeys(filter(None, named))) or "nothing named"
            raise UsageError(f"{self.path}: no decision for “{name}”.", f"It holds decisions for: {known}.")
        return _decided(self.path, fitting[-1])


def read_decisions(word: str) -> Decisions:
    """Those of the session file that `word` names, as FILE or FILE:DESTINATION. Raises UsageError for a file
    that is no session file or holds no decision."""
    path, _, destination = (word, "", "") if os.path.exists(word) else word.rpartition(":")
    path = path or word
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
    return Decisions(path, acts, destination)


def _decided(path: str, last: Act) -> Decided:
    target, ceiling = (_number(path, last.data, key) for key in ("target_lufs", "ceiling_dbtp"))
    if target is None and ceiling is None:
        raise UsageError(
            f"{path}: its last decision sets neither loudness nor ceiling.", "Use --target and --ceiling."
        )
    destination, who, why = (
        value if isinstance(value := last.data.get(key), str) else "" for key in ("destination", "who", "why")
    )
    return Decided(target, ceiling, destination, f"on {last.at[:10]}", who=who, why=why)


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


NOTHING_DECIDED = Decided()
CHECK_AGAIN = "Let the export finish, then check again."
POOL_PAYS_SECONDS = 1000.0
"""Seconds of music from which several processes scan: scanning is some 400 times faster than playing."""
Report = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Scanned:
    """What a file is and what its samples show; with `checksums`, SHA-256 of the file and of its samples, and
    the content hash that measuring gives it."""

    info: AudioInfo
    scan: Scan
    file_sha256: str = ""
    samples_sha256: str = ""
    content: str = ""


def scan_file(path: str, *, checksums: bool = False) -> Scanned:
    """Raises AudioError; with `checksums` also for a file that changes meanwhile."""
    samples: Any = hashlib.sha256()
    stamp = stamp_of(path)

    def summed(blocks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        for block in blocks:
            samples.update(block.astype("<f4", copy=False))
            yield block

    with AudioReader(path, hashed=checksums) as reader:
        blocks = summed(reader) if checksums else reader
        scanned = Scanned(reader.info, scan(blocks, reader.info.sample_rate, reader.info.channels))
    if not checksums:
        return scanned
    try:
        with open(path, "rb") as file:
            whole = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as problem:
        raise AudioError(f"{path}: cannot read the file: {problem.strerror}.", "Check the path.") from None
    if changed_since(path, stamp):
        raise changed_file_error(path, CHECK_AGAIN)
    return replace(scanned, file_sha256=whole, samples_sha256=samples.hexdigest(), content=reader.content)


@dataclass(frozen=True, slots=True)
class Checked:
    """One master: its findings, and why there are none or not all; the one move that answers what plain gain
    can answer (None where there is nothing to move), its album, and what it was held against."""

    track: Track
    findings: tuple[Finding, ...]
    problem: SimulatorError | None
    measurement: Measurement | None = None
    move: Move | None = None
    album: AlbumLevel | None = None
    scanned: Scanned | None = None
    steps: tuple[Step, ...] = ()
    decided: Decided = NOTHING_DECIDED
    gap_s: float | None = None
    """Silence between this track and the next of its album."""

    @property
    def remaining(self) -> list[Finding]:
        """What needs fixing or a look and is not answered by the move."""
        mended = frozenset() if self.move is None else self.move.mends
        return [found for found in self.findings if found.level != "fine" and found.name not in mended]


def masters_of(playlist: Playlist) -> Playlist:
    """Without the references, which others have delivered."""
    return replace(playlist, tracks=tuple(track for track in playlist.tracks if track.role == "master"))


def check(
    playlist: Playlist,
    profiles: Sequence[Profile],
    decided: Sequence[Decided],
    store: Store,
    workers: int,
    *,
    as_album: bool = False,
    checksums: bool = False,
    step: Report = lambda: None,
) -> list[Checked]:
    """The findings for every master of the playlist, in order, each held against its own of `decided`. With
    `as_album` the masters are one album in that order; else only albums that the playlist names are looked at
    as such. What was decided for different destinations is not one album."""
    tracks = measure_tracks(playlist, store, workers, step)
    predictions = predict(profiles, tracks, playlist.album_reason, store, workers, step)
    return check_delivered(
        playlist, tracks, profiles, predictions, decided, store, workers,
        as_album=as_album, checksums=checksums,
    )  # fmt: skip


def check_delivered(
    playlist: Playlist,
    tracks: Sequence[MeasuredTrack],
    profiles: Sequence[Profile],
    predictions: Sequence[Sequence[Prediction | SimulatorError | None]],
    decided: Sequence[Decided],
    store: Store,
    workers: int,
    *,
    as_album: bool = False,
    checksums: bool = False,
) -> list[Checked]:
    """The same for tracks that are measured and predicted already (a row of `predictions` a profile)."""
    scans = _scans(tracks, workers, checksums)
    albums = _albums(playlist, tracks, scans, decided, as_album)
    levels = {
        place: level
        for places in albums
        for level in [_album_level(places, tracks, decided, as_album)]
        for place in places
    }
    in_album, following = _within_albums(albums, tracks, scans)
    steps = _steps(tracks, profiles, predictions, store, workers)
    aways = {
        place: _away(one.measurement, levels.get(place), decided[place])
        for place, one in enumerate(tracks)
        if one.measurement is not None
    }
    moves = _moves(albums, tracks, steps, aways, decided, store, workers)
    checked = []
    for place, (one, scanned) in enumerate(zip(tracks, scans, strict=True)):
        played = [row[place] for row in predictions]
        reached = [found for _, found in steps[place]]
        problem = one.problem or next(
            (found for found in (scanned, *played, *reached) if isinstance(found, SimulatorError)), None
        )
        if one.measurement is None or not isinstance(scanned, Scanned):
            checked.append(Checked(one.track, (), problem))
            continue
        after = following.get(place)
        on = after is not None and runs_on(scanned.scan) and after.head_s <= 0.001
        info, move, album, own = scanned.info, moves.get(place), levels.get(place), decided[place]
        players = [
            (profile, found) for profile, found in zip(profiles, played, strict=True)
            if isinstance(found, Prediction)
        ]  # fmt: skip
        away = aways[place]  # a raise that was tried and did not hold every limit, or was no gain for all
        may_raise = not (away is not None and away < -NEAR_LU and (move is None or move.gain_db < 0.0))
        findings = [
            *level_findings(
                one.measurement,
                own,
                may_raise=may_raise,
                held=_held(one.measurement, album, own),
                means=_quieter(one.measurement, players, own),
            ),
            *_album_loudness(one, album, own, may_raise),
            *(step_finding(found, own, move) for found in reached if isinstance(found, Step)),
            *tag_findings(one.measurement, one.tags, None if album is None else album.programme_lufs),
            *file_findings(scanned.scan, None if info.lossy else info.bits, info.lossy, info.subtype),
            *channel_findings(one.measurement, scanned.scan),
            *edge_findings(scanned.scan, runs_on=on),
            *in_album.get(place, []),
            *(player_finding(profile, found) for profile, found in players),
        ]
        if move is not None:
            move = replace(move, mends=_mended(findings, move, one.measurement, players))
        # a player or a delivery that cannot be worked out costs its own findings and no others
        checked.append(
            Checked(
                one.track, tuple(findings), problem, one.measurement, move, album, scanned,
                tuple(found for found in reached if isinstance(found, Step)), own,
                None if after is None else scanned.scan.tail_s + after.head_s,
            )
        )  # fmt: skip
    return checked


def _away(measurement: Measurement, album: AlbumLevel | None, decided: Decided) -> float | None:
    """The loudness that counts against the target, in LU; None without either."""
    lufs = measurement.integrated_lufs
    if album is not None and decided.target_of != "each":
        lufs = album.loudest_lufs if decided.target_of == "loudest" else album.programme_lufs
    return None if lufs is None or decided.target_lufs is None else lufs - decided.target_lufs


def _held(measurement: Measurement, album: AlbumLevel | None, decided: Decided) -> bool:
    """True where this track's own loudness is held against the target."""
    if album is None or decided.target_of == "each":
        return True
    level, loudest = measurement.integrated_lufs, album.loudest_lufs
    return decided.target_of == "loudest" and (level is None or loudest is None or level >= loudest)


def _album_loudness(
    delivered: MeasuredTrack, album: AlbumLevel | None, decided: Decided, may_raise: bool
) -> list[Finding]:
    """The album as one programme against the target, where that was decided; with its loudest track."""
    if album is None or decided.target_of != "programme" or delivered.measurement is None:
        return []
    if delivered.track.title != album.loudest or album.programme_lufs is None:
        return []
    whole = replace(delivered.measurement, integrated_lufs=album.programme_lufs)
    found = level_findings(whole, decided, may_raise=may_raise)[0]
    return [replace(found, check="album_loudness", name="Album loudness")]


def _quieter(
    measurement: Measurement, players: Sequence[tuple[Profile, Prediction]], decided: Decided
) -> str:
    """What being below the target means: by how much quieter it is on which players than a master at the
    target whose peaks are at the ceiling. Empty at or above the target."""
    lufs, target = measurement.integrated_lufs, decided.target_lufs
    if lufs is None or target is None or target - lufs <= MET_LU:
        return ""
    if not players:
        by = printed_gap(target, lufs, 2) or 0.0
        return f"{by:.2f} LU quieter wherever nothing is normalised."
    there = measurement.with_gain(target - lufs)
    over = max(
        (there.true_peak_dbtp or 0.0) - ((measurement.true_peak_dbtp or 0.0) + room_db(measurement, decided)),
        0.0,
    )
    if there.true_peak_dbtp is not None and there.sample_peak_dbfs is not None:
        there = replace(
            there,
            true_peak_dbtp=there.true_peak_dbtp - over,
            sample_peak_dbfs=there.sample_peak_dbfs - over,
        )
    quieter: dict[str, list[str]] = {}
    for profile, played in players:
        heard = played.played.integrated_lufs
        wanted = target + decide(profile, there).gain_db
        by = 0.0 if heard is None else wanted - heard
        if by > TIE_LU:
            quieter.setdefault(f"{by:.1f} LU", []).append(profile.id)
    if not quieter:
        return "No difference on these players."
    return f"Quieter by {', by '.join(f'{by} on {_names(those)}' for by, those in quieter.items())}."


def _names(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1])] * (len(names) > 1) + [names[-1]])


def _mended(
    findings: Sequence[Finding],
    move: Move,
    measurement: Measurement,
    players: Sequence[tuple[Profile, Prediction]],
) -> frozenset[str]:
    """The names of the findings that the move answers."""
    if not move.passes:
        return frozenset()
    checks = {"loudness", "album_loudness"} | (PEAK_CHECKS if move.gain_db < 0.0 else frozenset())
    names = {
        finding.name for finding in findings if finding.check in checks or within_after(finding, move.gain_db)
    }
    if move.gain_db < 0.0:
        after = measurement.with_gain(move.gain_db)
        for profile, played in players:
            # where only gain acts after the last step, its new peak and the player's new gain say it all
            if profile.scope != "track" or played.decision.limiter_in_path:
                continue
            peak = after.true_peak_dbtp
            if profile.delivery is not None:
                last = delivery_steps(profile.delivery, measurement.sample_rate)[-1:]
                peak = dict(move.steps).get(last[0][0]) if last else peak
            if peak is not None and peak + decide(profile, after).gain_db <= 0.0:
                names.add(player_finding(profile, played).name)
    return frozenset(names)


def _scans(
    tracks: Sequence[MeasuredTrack], workers: int, checksums: bool
) -> list[Scanned | SimulatorError | None]:
    """In a worker where a decoder could crash; None for what could not be measured."""
    paths = [track.track.path for track in tracks if track.measurement is not None]
    seconds = sum(track.measurement.duration_s for track in tracks if track.measurement is not None)
    count = workers if len(paths) > 1 and seconds > POOL_PAYS_SECONDS else 0
    if not count and not pool.stays_in_process() and any(map(is_lossy, paths)):
        count = 1
    job = partial(scan_file, checksums=checksums)
    done = iter(pool.in_order(pool.run(job, paths, count, str), len(paths), lambda: None))
    scans = [None if track.measurement is None else next(done) for track in tracks]
    return [
        changed_file_error(one.track.path, CHECK_AGAIN)
        if isinstance(found, Scanned) and found.content not in ("", one.content)
        else found
        for one, found in zip(tracks, scans, strict=True)
    ]


Steps = list[tuple[Job, Step | SimulatorError]]


def _steps(
    tracks: Sequence[MeasuredTrack],
    profiles: Sequence[Profile],
    predictions: Sequence[Sequence[Prediction | SimulatorError | None]],
    store: Store,
    workers: int,
) -> list[Steps]:
    """For each track the master after each different step of all profiles' deliveries."""
    rows: list[dict[Job, tuple[str, list[Playback]]]] = []
    for place, one in enumerate(tracks):
        row: dict[Job, tuple[str, list[Playback]]] = {}
        for profile, played in zip(profiles, predictions, strict=True):
            for name, job in step_jobs(profile, one):
                _, playbacks = row.setdefault(job, (name, []))
                found, delivery = played[place], profile.delivery
                if job.lossy and delivery is not None and isinstance(found, Prediction):
                    playbacks.append(Playback(profile.title, delivery.full_scale, found.decision.gain_db))
        rows.append(row)
    jobs = list(dict.fromkeys(job for row in rows for job in row))
    done = dict(zip(jobs, measure_all(jobs, store, workers), strict=True))
    steps: list[Steps] = []
    for row in rows:
        found_steps: Steps = []
        for job, (name, playbacks) in row.items():
            outcome = done[job]
            found_steps.append(
                (job, outcome)
                if isinstance(outcome, SimulatorError)
                else (job, Step(name, outcome.measurement, encoder_gain_db(job.delivery), tuple(playbacks)))
            )
        steps.append(found_steps)
    return steps


def _moves(
    albums: Sequence[Sequence[int]],
    tracks: Sequence[MeasuredTrack],
    steps: Sequence[Steps],
    aways: dict[int, float | None],
    decided: Sequence[Decided],
    store: Store,
    workers: int,
) -> dict[int, Move]:
    """By place the gain that answers what gain can, carried out through every step. One gain for an album."""
    good = {away: [(job, step) for job, step in steps[away] if isinstance(step, Step)] for away in aways}
    alone = [[away] for away in aways if not any(away in places for places in albums)]
    gains: dict[tuple[int, ...], float] = {}
    for places in (*albums, *alone):
        wanted = [
            first_gain_db(found, [step.found for _, step in good[place]], decided[place], aways[place])
            for place in places
            if (found := tracks[place].measurement) is not None
        ]
        if min(wanted) < 0.0 or 0.0 not in wanted:
            gains[tuple(places)] = min(wanted)
    moved: dict[int, Move] = {}
    left = dict(gains)
    for _ in range(MOST_TRIES):
        jobs = {
            (place, job): replace(job, before_db=gain)
            for places, gain in left.items() for place in places for job, _ in good[place]
        }  # fmt: skip
        outcomes = dict(zip(jobs, measure_all(list(jobs.values()), store, workers), strict=True))
        for places, gain in list(left.items()):
            after = {
                place: [
                    (step.name, one.measurement) for job, step in good[place]
                    if isinstance(one := outcomes[place, job], Result)
                ] for place in places
            }  # fmt: skip
            missing = max(
                missing_db([found for _, found in after[place]], decided[place]) for place in places
            )
            done = missing <= 0.0
            if gain > 0.0:
                done = all(
                    missed_limit(found, decided[place]) is None
                    for place, row in after.items()
                    for _, found in row
                )
            for place in places:
                moved[place] = _move(tracks[place], gain, after[place], done, aways[place])
            if done or gain > 0.0:
                del left[places]
            else:
                left[places] = -upward_db(-gain + missing + MORE_DB)
        if not left:
            break
    return {place: move for place, move in moved.items() if move.passes or move.gain_db < 0.0}


def _move(
    delivered: MeasuredTrack,
    gain_db: float,
    after: Sequence[tuple[str, Measurement]],
    passes: bool,
    away_lu: float | None,
) -> Move:
    assert delivered.measurement is not None
    moved = delivered.measurement.with_gain(gain_db)
    return Move(
        gain_db,
        moved.integrated_lufs,
        moved.true_peak_dbtp,
        tuple((name, found.true_peak_dbtp) for name, found in after),
        passes,
        None if away_lu is None else away_lu + gain_db,
    )


def _albums(
    playlist: Playlist,
    tracks: Sequence[MeasuredTrack],
    scans: Sequence[Scanned | SimulatorError | None],
    decided: Sequence[Decided],
    as_album: bool,
) -> list[list[int]]:
    """The places of each album's tracks, in order; those decided for different destinations apart."""
    whole = [
        place
        for place, (one, scanned) in enumerate(zip(tracks, scans, strict=True))
        if isinstance(scanned, Scanned) and one.measurement is not None
    ]
    groups: dict[tuple[str, Decided], list[int]] = {}
    for place, album in album_places(playlist, whole, as_album=as_album).items():
        groups.setdefault((album, decided[place]), []).append(place)
    return [places for places in groups.values() if len(places) > 1]


def _album_level(
    places: Sequence[int], tracks: Sequence[MeasuredTrack], decided: Sequence[Decided], as_album: bool
) -> AlbumLevel:
    members = [(tracks[place].track, found) for place in places if (found := tracks[place].measurement)]
    name = "Album" if as_album else members[0][0].album or "Album"
    if len(set(decided)) > 1 and (destination := decided[places[0]].destination):
        name = f"{name} ({destination})"
    return album_level(name, [(track.title, found) for track, found in members])


def _within_albums(
    albums: Sequence[Sequence[int]],
    tracks: Sequence[MeasuredTrack],
    scans: Sequence[Scanned | SimulatorError | None],
) -> tuple[dict[int, list[Finding]], dict[int, Scan]]:
    """By place: the findings within the album, and the scan of the track that follows in it."""
    findings: dict[int, list[Finding]] = {}
    following: dict[int, Scan] = {}
    for places in albums:
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
