"""The rungs of a ladder made from a file: every pass streams the mix again, so that memory stays small.

A rung is a job of its own, for this process or a spawned worker: it searches its drive (over the mix's
envelope, which is made once for all rungs, or in at most four passes that take only the K-weighted energy),
then makes one pass that takes the residual, writes the file where one is wanted, and measures all; then it
asks what each player makes of it. A rung that the limiter does not touch needs none of these passes.

File names of a ladder's rungs, and the playlist that ties them as versions of one song.
"""

from __future__ import annotations

import itertools
import math
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from simulator.audibility.kept_masks import MaskMeter, Masks, ShareMeter
from simulator.audio_files.reader import AudioReader, read_info
from simulator.audio_files.writer import write_audio
from simulator.codecs.deliver import Delivering, codec_name
from simulator.common.errors import AudioError, SimulatorError, WriteError
from simulator.common.text import level
from simulator.common.units import db_to_gain, gain_to_db
from simulator.delivery.level_findings import FULL_SCALE_DBTP
from simulator.delivery.step_findings import MORE_DB, MOST_TRIES, upward_db
from simulator.dsp.ceiling import PeakKind
from simulator.dsp.limiter import LimiterReport
from simulator.dsp.mastering_limiter import KNEE, ActionReport, MasteringSettings, Style, master_blocks
from simulator.engine import workers as pool
from simulator.metering.measurement import Measurement
from simulator.metering.meter import measure
from simulator.normalizer.chain import ChainSettings, play
from simulator.normalizer.decision import Decision, decide
from simulator.normalizer.prediction import Prediction, chain_settings, from_chain, from_gain, more_than_gain
from simulator.normalizer.profile import Delivery, Profile
from simulator.playlists.formats import playlist_text
from simulator.playlists.playlist import ALL_SINGLES, Playlist, Track
from simulator.rungs.advice import Destination
from simulator.rungs.residual import Residual
from simulator.rungs.rung import Action, Decoded, Rung
from simulator.rungs.search import (
    MOST_PASSES,
    TOLERANCE_LU,
    Envelope,
    Found,
    Guess,
    Quick,
    envelope,
    gained,
    quick,
    search,
)
from simulator.storage.folders import temporary_folder
from simulator.storage.writing import (
    claimed,
    refuse_existing,
    refuse_sources,
    save_picture,
    sweep,
    whole_file,
)

PLAYLIST, SAMPLE = "ladder.toml", "-sample-peak"
MASK_THREADS, MOST_WAITING = 2, 8
"""Channels whose masks are worked out at once; blocks that may wait for them."""


def rung_name(place: int, mix: str, lufs: float, sample_too: bool) -> str:
    """NN-NAME-14LUFS.wav; `sample_too` marks sample-peak rungs that stand beside true-peak ones. `lufs` is
    what the rung is to reach."""
    return f"{place + 1:02d}-{_stem(mix)}{lufs:+g}LUFS{SAMPLE if sample_too else ''}.wav"


def reached_name(name: str, wanted_lufs: float, lufs: float) -> str:
    """The name of a rung that did not come to what it was to reach: that of the loudness it has."""
    head, mark, tail = name.rpartition(f"{wanted_lufs:+g}LUFS")
    return f"{head}{lufs:+.1f}LUFS{tail}" if mark else name


def ladder_playlist(mix: str, rungs: Sequence[Rung]) -> Playlist:
    """The rungs as versions of one song; the listening desk opens on it matched."""
    name = _stem(mix)
    tracks = []
    for rung in rungs:
        assert rung.path is not None
        kind = "sample-peak rung" if Path(rung.path).stem.endswith(SAMPLE) else "rung"
        kind = f"limited {kind}" if rung.limited else kind
        title = f"{name} ({kind} at {level(rung.measurement.integrated_lufs)} LUFS)"
        tracks.append(Track(Path(rung.path).name, title, song=name))
    title = f"{name}: a ladder of loudness"
    return Playlist(title, "", None, tuple(tracks), "", ALL_SINGLES, "matched")


def free_folder(mix: str) -> Path:
    """A folder for the rungs beside the work, NAME-rungs, that is not there yet."""
    name = f"{_stem(mix)}-rungs"
    names = itertools.chain([name], (f"{name}-{number}" for number in itertools.count(2)))
    return next(path for path in map(Path, names) if not path.exists())


def _stem(mix: str) -> str:
    """The mix's name as text: bytes of it that are none become underscores."""
    return Path(mix).stem.encode("utf-8", "replace").decode("utf-8").replace("?", "_")


METHOD = 1
"""Raised when a rung's samples may change at the same drive and settings: encoded rungs are cached."""
POOL_PAYS_SECONDS = 2.5
_SPEED, _PASSES = 80.0, 3.0
"""Rough: times real time of a pass over stereo at 44.1 kHz, passes a rung; to see where workers pay."""
SEARCH_TRIES, CLOSE_LU = 12, 0.01
"""On the envelope, where a try costs next to nothing."""
UNTOUCHED_MARGIN_DB = 0.05
"""The meter's and the limiter's readings between the samples differ by less than this."""
Block = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class LadderRequest:
    """What the ladder of one mix is to be."""

    mix: str
    measurement: Measurement
    loudness_lufs: tuple[float, ...]
    ceiling_dbtp: float
    detects: tuple[PeakKind, ...]
    style: Style
    profiles: tuple[Profile, ...]
    folder: Path | None = None
    content: str = ""
    """The hash of the mix's samples, and the folder of encoded files: together they let a rung's be found
    again."""
    keep_in: Path | None = None

    @property
    def untouched_lufs(self) -> float:
        """The loudness from which on a rung is limited."""
        loudest = gained(self.measurement, 0.0).integrated_lufs
        untouched = Guess(self.measurement, self.ceiling_dbtp).untouched_db
        return -math.inf if loudest is None else loudest + untouched - UNTOUCHED_MARGIN_DB

    @property
    def limits(self) -> bool:
        """True where a rung needs more than plain gain."""
        return self.style != "limit" or max(self.loudness_lufs) > self.untouched_lufs

    @property
    def by_envelope(self) -> bool:
        """True where the search can be done on the envelope."""
        return self.style == "limit" and "true" in self.detects

    def jobs(self, force: bool, mix: MixAnalysis | None = None) -> list[RungJob]:
        """One for each rung, in order: all of the first kind of detection, then all of the next."""
        made: list[RungJob] = []
        for detect in self.detects:
            for lufs in self.loudness_lufs:
                name = rung_name(len(made), self.mix, lufs, detect == "sample" and len(self.detects) > 1)
                target = None if self.folder is None else self.folder / name
                made.append(
                    RungJob(
                        self.mix,
                        self.measurement,
                        lufs,
                        MasteringSettings(self.ceiling_dbtp, detect, self.style),
                        self.profiles,
                        target,
                        force,
                        mix.envelope if mix is not None and detect == "true" else None,
                        None if mix is None else mix.masks,
                        self.content,
                        self.keep_in,
                    )
                )
        return made


@dataclass(frozen=True, slots=True)
class RungJob:
    """One rung to be made."""

    mix: str
    measurement: Measurement
    wanted_lufs: float
    settings: MasteringSettings
    profiles: tuple[Profile, ...]
    target: Path | None
    force: bool
    envelope: Envelope | None = None
    masks: Masks | None = None
    content: str = ""
    keep_in: Path | None = None

    @property
    def row_peaks(self) -> NDArray[np.float32] | None:
        """What spares the limiter a look at most of the mix."""
        return None if self.envelope is None else self.envelope.peak


@dataclass(frozen=True, slots=True)
class MixAnalysis:
    """What all rungs need of the mix: its envelope where the search runs over it, and its masks."""

    envelope: Envelope | None
    masks: Masks


def analyse(wanted: LadderRequest) -> MixAnalysis:
    """One pass over the mix, with the masks in threads beside it. Raises AudioError."""
    with (
        AudioReader(wanted.mix, hashed=False) as reader,
        ThreadPoolExecutor(1) as beside,
        ThreadPoolExecutor(MASK_THREADS) as by_channel,
    ):
        rate, channels = reader.info.sample_rate, reader.info.channels
        masks = MaskMeter(rate, channels, by_channel.map)

        def blocks() -> Iterator[Block]:
            waiting: deque[Future[None]] = deque()
            for block in reader:
                waiting.append(beside.submit(masks.push, block))
                yield block
                if len(waiting) > MOST_WAITING:
                    waiting.popleft().result()
            for left in waiting:
                left.result()

        if wanted.by_envelope:
            over = envelope(blocks(), rate, channels)
            return MixAnalysis(over, masks.finish())
        for _ in blocks():
            pass
        return MixAnalysis(None, masks.finish())


Finished = Callable[[int, Rung | SimulatorError], None]
"""Takes the place of a finished rung among the jobs, and the rung."""


def build(
    wanted: LadderRequest,
    *,
    force: bool = False,
    workers: int = 0,
    spare: bool = False,
    finished: Finished = lambda *_: None,
) -> list[Rung | SimulatorError]:
    """All rungs, in the order of `LadderRequest.jobs`; one that fails costs no other. `finished` gets each as
    it is done. With a folder the files and the playlist are written. `spare`: one worker more than `workers`
    may start. Raises WriteError before any work where something would be overwritten."""
    jobs = wanted.jobs(force)
    with ExitStack() as claim:
        return _build(wanted, jobs, claim, force, workers, spare, finished)


def _build(
    wanted: LadderRequest,
    jobs: list[RungJob],
    claim: ExitStack,
    force: bool,
    workers: int,
    spare: bool,
    finished: Finished,
) -> list[Rung | SimulatorError]:
    targets = [job.target for job in jobs if job.target is not None]
    playlist = None if wanted.folder is None else wanted.folder / PLAYLIST
    if wanted.folder is not None and playlist is not None:
        refuse_existing([*targets, playlist], force)
        refuse_sources([*targets, playlist], [wanted.mix])
        claim.enter_context(claimed(wanted.folder, [*targets, playlist], force))
    spread = _workers_for(wanted, len(jobs), workers, spare)
    if wanted.limits:
        alone = int(spread > 0 and read_info(wanted.mix).lossy)
        (mix,) = pool.in_order(pool.run(analyse, [wanted], alone, lambda one: one.mix), 1, lambda: None)
        if isinstance(mix, SimulatorError):
            return [mix for _ in jobs]
        jobs = wanted.jobs(force, mix)
    # the loudest take longest: begun first, they leave no core waiting at the end
    running = pool.run(make_rung, jobs[::-1], spread, lambda job: job.mix)
    try:
        done: dict[int, Rung | SimulatorError] = {}
        for index, rung in running:
            place = len(jobs) - 1 - index
            done[place] = rung
            finished(place, rung)
    finally:
        running.close()  # ends the workers, where an interrupt came between two results
        sweep(targets)
    every = [done[place] for place in range(len(jobs))]
    rungs = [rung for rung in every if isinstance(rung, Rung)]
    if playlist is not None and rungs:
        with whole_file(playlist, force) as passing:
            text = playlist_text(ladder_playlist(wanted.mix, rungs), "toml", str(playlist))
            passing.write_text(text, encoding="utf-8")
    return every


def draw(
    path: Path, rungs: Sequence[Rung], destinations: Sequence[Destination], title: str, force: bool
) -> None:
    """Draws gain against cost as PNG or SVG. Raises WriteError."""
    from simulator.text.charts.ladder import ladder_figure  # workers start sooner without it
    from simulator.text.charts.style import STYLE

    save_picture(path, lambda: ladder_figure(rungs, destinations, title), STYLE, force)


def make_rung(job: RungJob) -> Rung:
    """Searches, makes and measures one rung. Raises AudioError (the mix's path first), WriteError."""
    aim, rung = job.wanted_lufs, None
    for passes in range(MOST_PASSES if job.envelope is not None else 1):
        found, settings, counted = _searched(job, aim)
        rung = _finished(job, found, settings, counted + passes)
        lufs = rung.measurement.integrated_lufs
        if lufs is None or rung.reached or not found.reached:
            break
        aim -= lufs - job.wanted_lufs  # what the envelope misses, it misses next time too
        job = replace(job, force=True)  # the file is this rung's own
    assert rung is not None
    return rung


def _searched(job: RungJob, aim_lufs: float) -> tuple[Found, MasteringSettings, int]:
    """The drive for a loudness, the settings with their output gain, and how many whole passes it took."""
    passes = 0
    output_gains: dict[float, float] = {}

    def loudness_at(drive_db: float) -> float | None:
        nonlocal passes
        heard = _untouched(job, drive_db)
        if heard is None and job.envelope is not None:
            heard = Quick(job.envelope.integrated_lufs(drive_db, job.settings), None)
        if heard is None:
            passes += 1
            heard = _passed(job, drive_db)
        peak, ceiling = heard.true_peak_dbtp, job.settings.ceiling_db
        lowered = peak is not None and peak > ceiling and job.settings.detection == "sample"
        output_gains[drive_db] = ceiling - peak if lowered and peak is not None else 0.0
        return None if heard.integrated_lufs is None else heard.integrated_lufs + output_gains[drive_db]

    guess = Guess(job.measurement, job.settings.ceiling_db)
    if job.envelope is None:
        found = search(aim_lufs, guess, loudness_at)
    else:
        found = search(aim_lufs, guess, loudness_at, SEARCH_TRIES, CLOSE_LU)
    if found is None:
        raise AudioError(f"{job.mix}: nothing in this mix is loud enough to measure.", "Use another mix.")
    return found, replace(job.settings, output_gain_db=output_gains[found.drive_db]), passes


def _untouched(job: RungJob, drive_db: float) -> Quick | None:
    """The figures where neither clip nor limiter acts: those of plain gain. None where one may act."""
    heard = gained(job.measurement, drive_db)
    allowed = job.settings.ceiling_db
    if job.settings.style == "clip-limit":
        allowed = min(allowed, allowed + job.settings.clip_over_db + (gain_to_db(KNEE) or 0.0))
    over = heard.true_peak_dbtp is not None and heard.true_peak_dbtp > allowed - UNTOUCHED_MARGIN_DB
    return None if over else heard


def _passed(job: RungJob, drive_db: float) -> Quick:
    with AudioReader(job.mix, hashed=False) as reader:
        rate, channels = reader.info.sample_rate, reader.info.channels
        mastered = master_blocks(reader, channels, rate, drive_db, job.settings, ActionReport())
        return quick(mastered, rate, channels, peaks=job.settings.detection == "sample")


def _finished(job: RungJob, found: Found, settings: MasteringSettings, passes: int) -> Rung:
    """The pass with everything; arithmetic where the rung is plain gain."""
    report, residual_lu = ActionReport(), None
    share: float | None = 0.0  # of plain gain
    plain = _untouched(job, found.drive_db) is not None
    with AudioReader(job.mix, hashed=False) as reader:
        rate, channels, frames = reader.info.sample_rate, reader.info.channels, job.measurement.frames
        if plain:
            measurement = _turned(job.measurement, found.drive_db)
            if job.target is not None:
                gain = np.float32(db_to_gain(found.drive_db))
                blocks = (block * gain for block in reader)
                write_audio(job.target, blocks, rate, channels, "float32", job.force, False, frames)
        else:
            audible = None if job.masks is None else ShareMeter(job.masks)
            drive = db_to_gain(found.drive_db + settings.output_gain_db)
            residual = Residual(rate, channels, drive, None if audible is None else audible.push)
            mastered = residual.around(
                reader,
                lambda blocks: master_blocks(
                    blocks, channels, rate, found.drive_db, settings, report, job.row_peaks
                ),
            )
            if job.target is None:
                measurement = measure(mastered, rate, channels)
            else:
                write_audio(job.target, mastered, rate, channels, "float32", job.force, False, frames)
                with AudioReader(os.fspath(job.target), hashed=False) as written:
                    measurement = measure(written, rate, channels)
            residual_lu = residual.residual_lu
            share = None if audible is None else audible.share_audible
    lufs, why = measurement.integrated_lufs, found.why
    reached = lufs is not None and abs(lufs - job.wanted_lufs) <= TOLERANCE_LU
    if not reached and not why:
        why = "further passes came no nearer"
    if job.target is not None and not reached and (not found.reached or passes >= MOST_PASSES - 1):
        job = replace(job, target=_renamed(job, job.target, lufs))
    with temporary_folder() as folder:
        made = _Made(job, found.drive_db, settings, plain)
        played, decoded = _play_all(made, measurement, job.keep_in or folder)
    return Rung(
        wanted_lufs=job.wanted_lufs,
        reached=reached,
        why="" if reached else why,
        drive_db=found.drive_db,
        output_gain_db=settings.output_gain_db,
        passes=passes,
        action=Action(
            report.mean_reduction_db, report.max_reduction_db, report.share_over_1_db, report.share_over_3_db
        ),
        measurement=measurement,
        residual_lu=residual_lu,
        played=played,
        path=None if job.target is None else os.fspath(job.target),
        decoded=decoded,
        share_audible=share,
    )


def _renamed(job: RungJob, target: Path, lufs: float | None) -> Path:
    """A rung that missed its loudness is called by the one it has. Raises WriteError."""
    named = target if lufs is None else target.with_name(reached_name(target.name, job.wanted_lufs, lufs))
    if named != target:
        try:
            refuse_existing([named], job.force)
        except WriteError:
            target.unlink()
            raise
        os.replace(target, named)
    return named


def _turned(mix: Measurement, gain_db: float) -> Measurement:
    """The mix under plain gain that leaves its peaks under full scale: no over is left."""
    runs = tuple(replace(run, level_dbfs=run.level_dbfs + gain_db) for run in mix.clipped_runs)
    return replace(mix.with_gain(gain_db), over_count=0, overs=(), clipped_runs=runs)


@dataclass(frozen=True, slots=True)
class _Made:
    """A rung whose samples are there: in its file, or to be made again."""

    job: RungJob
    drive_db: float
    settings: MasteringSettings
    plain: bool

    @contextmanager
    def samples(
        self, delivery: Delivery | None = None, keep_in: Path | None = None, before_db: float = 0.0
    ) -> Iterator[tuple[Iterable[Block], int, int]]:
        """The blocks, their rate and their channels; after a delivery, of the rung under `before_db`."""
        job, report = self.job, ActionReport()
        with AudioReader(os.fspath(job.target or job.mix), hashed=False) as reader:
            rate, channels = reader.info.sample_rate, reader.info.channels
            blocks: Iterable[Block] = reader
            if job.target is None and self.plain:
                gain = np.float32(db_to_gain(self.drive_db))
                blocks = (block * gain for block in reader)
            elif job.target is None:
                blocks = master_blocks(
                    reader, channels, rate, self.drive_db, self.settings, report, job.row_peaks
                )
            if delivery is not None:
                content, name = self.content, job.mix
                delivering = Delivering(
                    rate, channels, delivery, content, before_db, keep_in=keep_in, name=name
                )
                blocks, rate = delivering(blocks), delivering.sample_rate
            yield blocks, rate, channels

    def content(self) -> str:
        """What the samples follow from: the rung's name in the cache of encoded files."""
        made = f"rung {METHOD} {self.drive_db!r} {self.settings!r}"
        return f"{self.job.content} {made}" if self.job.content else ""


@dataclass(frozen=True, slots=True)
class _Decode:
    """A rung after a codec, and turned down until its decode stays under full scale."""

    measurement: Measurement
    lowered_db: float
    proved_dbtp: float | None


def _decode(made: _Made, delivery: Delivery, keep_in: Path) -> _Decode:
    """Encoded and decoded; encoded again, lower each time, where the decode is over full scale."""
    with made.samples(delivery, keep_in) as stream:
        found = measure(*stream)
    lowered_db, proved = 0.0, found.true_peak_dbtp
    for tries in range(MOST_TRIES):
        if proved is None or proved <= FULL_SCALE_DBTP:
            break
        lowered_db = upward_db(lowered_db + proved - FULL_SCALE_DBTP + (MORE_DB if tries else 0.0))
        with made.samples(delivery, keep_in, -lowered_db) as stream:
            proved = quick(*stream, peaks=True).true_peak_dbtp
    return _Decode(found, lowered_db, proved)


def _play_all(
    made: _Made, measurement: Measurement, keep_in: Path
) -> tuple[dict[str, Prediction], dict[str, Decoded]]:
    """What each player makes of the rung, and the codecs on the way there; a codec that two players share
    works once."""
    played, decoded = {}, {}
    decodes: dict[Delivery, _Decode] = {}
    for profile in made.job.profiles:
        decision, delivery = decide(profile, measurement), profile.delivery
        decode = None
        if delivery is not None and delivery.codec != "none":
            sound = structs.replace(delivery, full_scale="none")
            decode = decodes[sound] = decodes.get(sound) or _decode(made, sound, keep_in)
            lowered = decide(profile, measurement.with_gain(-decode.lowered_db))
            decoded[profile.id] = Decoded(
                codec_name(delivery),
                decode.measurement.true_peak_dbtp,
                decode.lowered_db,
                made.settings.ceiling_db - decode.lowered_db,
                decode.proved_dbtp,
                decode.lowered_db + decision.gain_db - lowered.gain_db,
            )
        after = None if decode is None else decode.measurement
        played[profile.id] = _played(made, profile, decision, measurement, after, keep_in)
    return played, decoded


def _played(
    made: _Made,
    profile: Profile,
    decision: Decision,
    measurement: Measurement,
    decode: Measurement | None,
    keep_in: Path,
) -> Prediction:
    """Arithmetic where only gain acts, on the rung or on its decode; else a pass through the chain."""
    if not more_than_gain(profile, decision, measurement):
        return from_gain(decision, measurement)
    chain, report = chain_settings(profile, decision), LimiterReport()
    if decode is not None and not _more_than_gain_after(decode, chain):
        return from_chain(decision, decode, decode.with_gain(decision.gain_db), report)
    with made.samples(profile.delivery, keep_in) as (blocks, rate, channels):
        played = measure(play(blocks, rate, channels, chain, report), rate, channels)
    return from_chain(decision, decode or measurement, played, report)


def _more_than_gain_after(decode: Measurement, chain: ChainSettings) -> bool:
    """True where the chain limits, clips or converts what the codec gives."""
    if chain.limiter is not None or chain.converter_headroom_db is not None:
        return True
    gain_db = chain.gain_db if chain.full_scale == "after_gain" else 0.0
    peak = decode.sample_peak_dbfs
    return chain.full_scale != "none" and peak is not None and peak + gain_db > FULL_SCALE_DBTP


def _workers_for(wanted: LadderRequest, count: int, most: int, spare: bool) -> int:
    """0: do the work here. A codec always works in a worker, which may crash. Rungs that the cores cannot
    share evenly get a worker more where there may be one: with one rung left, a core would be idle."""
    info = read_info(wanted.mix)
    seconds = wanted.measurement.frames * info.channels / (44_100 * 2) / _SPEED * _PASSES * count
    if count > 1 and most > 1 and seconds > POOL_PAYS_SECONDS:
        limited = sum(lufs > wanted.untouched_lufs for lufs in wanted.loudness_lufs) * len(wanted.detects)
        return min(most + int(spare and limited % most != 0), count)
    codecs = any(one.delivery is not None and one.delivery.codec != "none" for one in wanted.profiles)
    return pool.workers_for(info.lossy or codecs)
