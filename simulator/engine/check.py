"""Delivery check of files: measured, scanned, delivered, played, and the findings put together.

How far the output must be turned down for all steps to hold is found by doing it: rounds of conversions and
encodings at lower levels over all masters at once, each ending where all new peaks are under their limits.
The masters of an album get one gain, so that their relations stay.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioInfo, AudioReader, is_lossy
from simulator.codecs.codec import encoder_gain_db
from simulator.codecs.deliver import delivery_steps
from simulator.common.errors import AudioError, SimulatorError
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
from simulator.storage.measurement_cache import Store
from simulator.storage.small_files import (
    changed_file_error,
    changed_since,
    stamp_of,
)

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
    """One master: its findings, and why there are none or not all; the gain change that mends what plain gain
    can (None where there is none), its album, and what it was held against."""

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
    """The playlist without its references."""
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
    `as_album` the masters are one album in that order; else only albums that the playlist names count. What
    was decided for different destinations is not one album."""
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
    steps = _steps(tracks, profiles, predictions, store, workers)
    masters: list[_Master | None] = []
    problems: list[SimulatorError | None] = []
    for place, (one, scanned) in enumerate(zip(tracks, scans, strict=True)):
        played = [row[place] for row in predictions]
        outcomes = (one.problem, scanned, *played, *steps[place].values())
        problems.append(next((outcome for outcome in outcomes if isinstance(outcome, SimulatorError)), None))
        if one.measurement is None:
            masters.append(None)
            continue
        masters.append(
            _Master(
                one,
                one.measurement,
                decided[place],
                scanned if isinstance(scanned, Scanned) else None,
                {job: step for job, step in steps[place].items() if isinstance(step, Step)},
                [(profile, found) for profile, found in zip(profiles, played, strict=True)
                 if isinstance(found, Prediction)],
            )
        )  # fmt: skip
    albums = _find_albums(playlist, masters, as_album, apart=len(set(decided)) > 1)
    in_albums = {master for members in albums for master in members}
    alone = [[master] for master in masters if master is not None and master not in in_albums]
    _find_moves([*albums, *alone], store, workers)
    # a player or a delivery that cannot be worked out costs its own findings and no others
    return [
        Checked(one.track, (), problem)
        if master is None or master.scanned is None
        else _checked(master, master.scanned, problem)
        for one, master, problem in zip(tracks, masters, problems, strict=True)
    ]


@dataclass(eq=False, slots=True)
class _Master:
    """A measured master at work. `scanned` is None where the file could not be read again; `steps` are the
    steps of all deliveries that could be done, by the job of each; `players` what the players make of it."""

    measured: MeasuredTrack
    measurement: Measurement
    decided: Decided
    scanned: Scanned | None
    steps: dict[Job, Step]
    players: list[tuple[Profile, Prediction]]
    album: AlbumLevel | None = None
    album_findings: Sequence[Finding] = ()
    next_scan: Scan | None = None
    """Of the track that follows in the album."""
    move: Move | None = None

    @property
    def away_lu(self) -> float | None:
        """The loudness that counts, less the target; None without either."""
        lufs = self.measurement.integrated_lufs
        if self.album is not None and self.decided.target_of != "each":
            loudest = self.decided.target_of == "loudest"
            lufs = self.album.loudest_lufs if loudest else self.album.programme_lufs
        return None if lufs is None or self.decided.target_lufs is None else lufs - self.decided.target_lufs

    @property
    def held(self) -> bool:
        """True where its own loudness is held against the target."""
        if self.album is None or self.decided.target_of == "each":
            return True
        lufs, loudest = self.measurement.integrated_lufs, self.album.loudest_lufs
        return self.decided.target_of == "loudest" and (lufs is None or loudest is None or lufs >= loudest)


def _checked(master: _Master, scanned: Scanned, problem: SimulatorError | None) -> Checked:
    measurement, decided, album, move = master.measurement, master.decided, master.album, master.move
    after, info, away = master.next_scan, scanned.info, master.away_lu
    # a raise that was tried and did not hold every limit, or was no gain for all
    may_raise = not (away is not None and away < -NEAR_LU and (move is None or move.gain_db < 0.0))
    findings = [
        *level_findings(measurement, decided, may_raise=may_raise, held=master.held, means=_quieter(master)),
        *_album_loudness(master, may_raise),
        *(step_finding(step, decided, move) for step in master.steps.values()),
        *tag_findings(measurement, master.measured.tags, None if album is None else album.programme_lufs),
        *file_findings(scanned.scan, info.bits, info.lossy, info.subtype),
        *channel_findings(measurement, scanned.scan),
        *edge_findings(
            scanned.scan, runs_on=after is not None and runs_on(scanned.scan) and after.head_s <= 0.001
        ),
        *master.album_findings,
        *(player_finding(profile, played) for profile, played in master.players),
    ]
    if move is not None:
        move = replace(move, mends=_mended(findings, move, master))
    return Checked(
        master.measured.track, tuple(findings), problem, measurement, move, album, scanned,
        tuple(master.steps.values()), decided,
        None if after is None else scanned.scan.tail_s + after.head_s,
    )  # fmt: skip


def _album_loudness(master: _Master, may_raise: bool) -> list[Finding]:
    """The album as one programme against the target, where that was decided; with its loudest track."""
    album = master.album
    if album is None or master.decided.target_of != "programme" or album.programme_lufs is None:
        return []
    if master.measured.track.title != album.loudest:
        return []
    whole = replace(master.measurement, integrated_lufs=album.programme_lufs)
    found = level_findings(whole, master.decided, may_raise=may_raise)[0]
    return [replace(found, check="album_loudness", name="Album loudness")]


def _quieter(master: _Master) -> str:
    """What being below the target means: by how much quieter it is on which players than a master at the
    target whose peaks are at the ceiling. Empty at or above the target."""
    measurement, target = master.measurement, master.decided.target_lufs
    lufs = measurement.integrated_lufs
    if lufs is None or target is None or target - lufs <= MET_LU:
        return ""
    if not master.players:
        by = printed_gap(target, lufs, 2) or 0.0
        return f"{by:.2f} LU quieter wherever nothing is normalised."
    there = measurement.with_gain(target - lufs)
    peak = (measurement.true_peak_dbtp or 0.0) + room_db(measurement, master.decided)
    over = max((there.true_peak_dbtp or 0.0) - peak, 0.0)
    if there.true_peak_dbtp is not None and there.sample_peak_dbfs is not None:
        there = replace(
            there,
            true_peak_dbtp=there.true_peak_dbtp - over,
            sample_peak_dbfs=there.sample_peak_dbfs - over,
        )
    quieter: dict[str, list[str]] = {}
    for profile, played in master.players:
        heard = played.played.integrated_lufs
        wanted = target + decide(profile, there).gain_db
        by = 0.0 if heard is None else wanted - heard
        if by > TIE_LU:
            quieter.setdefault(f"{by:.1f} LU", []).append(profile.id)
    if not quieter:
        return "No difference on these players."
    return f"Quieter by {', by '.join(f'{by} on {_names(ids)}' for by, ids in quieter.items())}."


def _names(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1])] * (len(names) > 1) + [names[-1]])


def _mended(findings: Sequence[Finding], move: Move, master: _Master) -> frozenset[str]:
    """The names of the findings that the move answers."""
    if not move.passes:
        return frozenset()
    checks = {"loudness", "album_loudness"} | (PEAK_CHECKS if move.gain_db < 0.0 else frozenset())
    names = {
        finding.name for finding in findings if finding.check in checks or within_after(finding, move.gain_db)
    }
    if move.gain_db < 0.0:
        after = master.measurement.with_gain(move.gain_db)
        for profile, played in master.players:
            # where only gain acts after the last step, its new peak and the player's new gain say it all
            if profile.scope != "track" or played.decision.limiter_in_path:
                continue
            peak = after.true_peak_dbtp
            if profile.delivery is not None:
                last = delivery_steps(profile.delivery, master.measurement.sample_rate)[-1:]
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
    count = count or pool.workers_for(any(map(is_lossy, paths)))
    job = partial(scan_file, checksums=checksums)
    done = iter(pool.in_order(pool.run(job, paths, count, str), len(paths), lambda: None))
    scans = [None if track.measurement is None else next(done) for track in tracks]
    return [
        changed_file_error(one.track.path, CHECK_AGAIN)
        if isinstance(found, Scanned) and found.content not in ("", one.content)
        else found
        for one, found in zip(tracks, scans, strict=True)
    ]


def _steps(
    tracks: Sequence[MeasuredTrack],
    profiles: Sequence[Profile],
    predictions: Sequence[Sequence[Prediction | SimulatorError | None]],
    store: Store,
    workers: int,
) -> list[dict[Job, Step | SimulatorError]]:
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
    return [
        {
            job: outcome
            if isinstance(outcome := done[job], SimulatorError)
            else Step(name, outcome.measurement, encoder_gain_db(job.delivery), tuple(playbacks))
            for job, (name, playbacks) in row.items()
        }
        for row in rows
    ]


def _find_moves(groups: Sequence[Sequence[_Master]], store: Store, workers: int) -> None:
    """Gives each master the gain that answers what gain can, carried out through every step: one gain for
    the masters of a group."""
    gains: dict[int, float] = {}
    for number, group in enumerate(groups):
        wanted = [
            first_gain_db(
                one.measurement, [step.found for step in one.steps.values()], one.decided, one.away_lu
            )
            for one in group
        ]
        if min(wanted) < 0.0 or 0.0 not in wanted:
            gains[number] = min(wanted)
    for _ in range(MOST_TRIES):
        jobs = {
            (one, job): replace(job, before_db=gain)
            for number, gain in gains.items() for one in groups[number] for job in one.steps
        }  # fmt: skip
        outcomes = dict(zip(jobs, measure_all(list(jobs.values()), store, workers), strict=True))
        for number, gain in list(gains.items()):
            after = {
                one: [
                    (step.name, result.measurement) for job, step in one.steps.items()
                    if isinstance(result := outcomes[one, job], Result)
                ] for one in groups[number]
            }  # fmt: skip
            missing = max(missing_db([found for _, found in row], one.decided) for one, row in after.items())
            done = missing <= 0.0
            if gain > 0.0:
                done = all(
                    missed_limit(found, one.decided) is None for one, row in after.items() for _, found in row
                )
            for one, row in after.items():
                one.move = _move(one, gain, row, done)
            if done or gain > 0.0:
                del gains[number]
            else:
                gains[number] = -upward_db(-gain + missing + MORE_DB)
        if not gains:
            break
    for one in (one for group in groups for one in group):
        if one.move is not None and one.move.gain_db >= 0.0 and not one.move.passes:
            one.move = None


def _move(master: _Master, gain_db: float, after: Sequence[tuple[str, Measurement]], passes: bool) -> Move:
    moved, away_lu = master.measurement.with_gain(gain_db), master.away_lu
    return Move(
        gain_db,
        moved.integrated_lufs,
        moved.true_peak_dbtp,
        tuple((name, found.true_peak_dbtp) for name, found in after),
        passes,
        None if away_lu is None else away_lu + gain_db,
    )


def _find_albums(
    playlist: Playlist, masters: Sequence[_Master | None], as_album: bool, *, apart: bool
) -> list[list[_Master]]:
    """The masters of each album, in order, each given what it has to do with it. Those decided for different
    destinations are different albums; `apart`: there are several decisions."""
    whole = {place: one for place, one in enumerate(masters) if one is not None and one.scanned is not None}
    groups: dict[tuple[str, Decided], list[_Master]] = {}
    for place, album in album_places(playlist, whole, as_album=as_album).items():
        groups.setdefault((album, whole[place].decided), []).append(whole[place])
    albums = [members for members in groups.values() if len(members) > 1]
    for members in albums:
        first = members[0]
        name = "Album" if as_album else first.measured.track.album or "Album"
        if apart and first.decided.destination:
            name = f"{name} ({first.decided.destination})"
        level = album_level(name, [(member.measured.track.title, member.measurement) for member in members])
        tracks = [
            AlbumTrack(
                member.measured.track.title, member.measurement, member.scanned.scan,
                member.scanned.info.bits, member.measured.track.album_order,
            )
            for member in members
            if member.scanned is not None
        ]  # fmt: skip
        following = [*(track.scan for track in tracks[1:]), None]
        for one, found, next_scan in zip(members, album_findings(tracks), following, strict=True):
            one.album, one.album_findings, one.next_scan = level, found, next_scan
    return albums
