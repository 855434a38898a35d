"""Versions compared: measured, played, aligned; their pictures; the two under noise; and their difference
signal as a file.

The arithmetic is in `comparison/`, the words are in `text/comparison/`; here are the files.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioReader, read_info
from simulator.audio_files.writer import write_audio
from simulator.codecs.deliver import Delivering
from simulator.common.errors import SimulatorError, UsageError
from simulator.common.text import level
from simulator.common.units import db_to_gain, format_time
from simulator.comparison import versions as loss
from simulator.comparison.difference import Part
from simulator.comparison.noise import NoiseKind, common_trim_db, laid_under, noise_bed
from simulator.comparison.versions import Comparison, Heard
from simulator.engine import workers as pool
from simulator.engine.align import alignment_of, compare_files, difference_audio
from simulator.engine.measure import Job, measure_all
from simulator.engine.predict import CEILING_DBTP
from simulator.metering.measurement import Measurement
from simulator.normalizer.chain import ChainSettings, play
from simulator.normalizer.prediction import Prediction, chain_settings, more_than_gain
from simulator.normalizer.profile import Delivery, Profile
from simulator.playlists.playlist import Track
from simulator.storage.measurement_cache import Store
from simulator.storage.writing import (
    check_pictures,
    claimed,
    make_folder,
    refuse_existing,
    refuse_sources,
    save_picture,
    sweep,
    whole_file,
)
from simulator.text.charts.comparison import Drawing, comparison_figure
from simulator.text.charts.style import STYLE
from simulator.text.comparison.delivered import NOT_JUDGED, Names

_log = logging.getLogger("fairhearing")
NOISE_SEED = 1770
NOISE_PLACES = "under-noise.txt"


@dataclass(frozen=True, slots=True)
class VersionPair:
    """The two versions, with what each of `profiles` makes of them."""

    tracks: tuple[Track, Track]
    delivered: tuple[Measurement, Measurement]
    profiles: Sequence[Profile]
    predictions: Sequence[tuple[Prediction, Prediction]]


UNRELATED = 0.1
"""Below this similarity two files share no sound. Measured on 40 s each of four songs and their guitar
tracks: 27 unrelated pairs reach 0.04 at most, a song and its own guitar track 0.14."""


def compare_pair(
    pair: VersionPair,
    store: Store,
    workers: int = 0,
    step: Callable[[], None] = lambda: None,
    *,
    difference_too: bool = True,
) -> Comparison:
    """The comparison of (loud, open); without `difference_too` no difference signal is looked for. Raises
    UsageError where they are different songs, SimulatorError where a file can no longer be read."""
    loud, open_ = pair.tracks
    begun = time.monotonic()
    if difference_too:
        alignment, difference, audibility = compare_files(open_.path, loud.path, store)
    else:
        alignment, difference, audibility = alignment_of(open_.path, loud.path, store), None, None
    if (
        alignment.kind == "different"
        and alignment.similarity < UNRELATED
        and alignment.confidence > NOT_JUDGED
    ):
        raise UsageError(
            f"{loud.path} is not a version of {open_.path}: the best match has a similarity of "
            f"{alignment.similarity:.2f} of 1 (versions of one recording: 0.25 or more).",
            "Give two masters of the same recording. For different songs: fairhearing predict.",
        )
    seconds = time.monotonic() - begun
    _log.info("%s: aligned with %s (%s), %.1f s", loud.path, open_.path, alignment.kind, seconds)
    step()
    counts = _over_counts(pair, store, workers)
    players = []
    for profile, found, overs in zip(pair.profiles, pair.predictions, counts, strict=True):
        heard = [Heard(*parts) for parts in zip(pair.delivered, found, overs, strict=True)]
        players.append((profile, heard[0], heard[1]))
    return loss.compare(*pair.delivered, players, alignment, difference, audibility)


def _over_counts(pair: VersionPair, store: Store, workers: int) -> list[list[int]]:
    """How often each version rises over full scale after each player's gain. A gain moves the border at
    which overs are counted, so what is still over is measured on the chain's output."""
    jobs: dict[Job, None] = {}
    wanted: list[list[int | Job]] = []
    for profile, both in zip(pair.profiles, pair.predictions, strict=True):
        row: list[int | Job] = []
        for track, delivered, found in zip(pair.tracks, pair.delivered, both, strict=True):
            peak = found.played.true_peak_dbtp
            if peak is None or peak <= CEILING_DBTP:
                row.append(0)
            elif more_than_gain(profile, found.decision, delivered):
                row.append(found.played.over_count)  # measured there already
            elif found.decision.gain_db == 0.0:
                row.append(delivered.over_count)
            else:
                row.append(Job(track.path, CEILING_DBTP, chain_settings(profile, found.decision)))
        jobs.update(dict.fromkeys(one for one in row if isinstance(one, Job)))
        wanted.append(row)
    counts = {}
    for job, result in zip(jobs, measure_all(list(jobs), store, workers), strict=True):
        if isinstance(result, SimulatorError):
            raise result
        counts[job] = result.measurement.over_count
    return [[counts[one] if isinstance(one, Job) else one for one in row] for row in wanted]


def picture_paths(files: Sequence[Path], profiles: Sequence[Profile], force: bool) -> list[list[Path]]:
    """For each profile the pictures to write: the files as named, or with the profile's id in their names
    where there are several. Raises before any work where a name has another ending, or a file is there
    already."""
    paths = [list(files)]
    if len(profiles) > 1:
        paths = [[file.with_stem(f"{file.stem}-{profile.id}") for file in files] for profile in profiles]
    check_pictures([path for row in paths for path in row], force)
    return paths


def write_picture(path: Path, drawing: Drawing, force: bool) -> None:
    """Draws versions on one player. Raises WriteError."""
    save_picture(path, lambda: comparison_figure(drawing), STYLE, force)


@dataclass(frozen=True, slots=True)
class Noise:
    """A bed that lies `level_lu` below the open version as played."""

    level_lu: float
    kind: NoiseKind


@dataclass(frozen=True, slots=True)
class NoiseJob:
    """One version through its chain, with the bed under it, into a file."""

    source: str
    target: str
    chain: ChainSettings
    delivery: Delivery | None
    kind: NoiseKind
    loudness_lufs: float
    trim_db: float
    force: bool

    def bed(self, rate: int, channels: int) -> NDArray[np.float32]:
        """The same for the same rate and channels, whatever the version."""
        chance = np.random.default_rng(NOISE_SEED)
        return noise_bed(chance, self.kind, self.loudness_lufs, rate, channels)


def noise_targets(pair: VersionPair, folder: Path) -> list[Path]:
    """The two files under noise, and their text."""
    stems = [f"{number:02d}-{Path(track.path).stem}" for number, track in enumerate(pair.tracks, 1)]
    return [*(folder / f"{stem}-under-noise.wav" for stem in stems), folder / NOISE_PLACES]


def write_under_noise(
    pair: VersionPair,
    player: int,
    comparison: Comparison,
    names: Names,
    noise: Noise,
    folder: Path,
    force: bool,
) -> float:
    """Both versions as player number `player` plays them, whole, at their own rates, with the same steady
    noise under both. Returns the trim on both, in dB. Raises WriteError, and UsageError where the open
    version has no loudness."""
    profile, both = pair.profiles[player], pair.predictions[player]
    reference = both[1].played.integrated_lufs
    if reference is None:
        raise UsageError(
            f"{pair.tracks[1].path}: no measurable loudness, so no level for the noise.",
            "Compare versions that hold more than silence.",
        )
    targets = noise_targets(pair, folder)
    refuse_existing(targets, force)
    refuse_sources(targets, [track.path for track in pair.tracks])
    loudness = reference - noise.level_lu
    jobs, trims = [], []
    for track, prediction, target in zip(pair.tracks, both, targets, strict=False):
        chain, played = chain_settings(profile, prediction.decision), prediction.played
        job = NoiseJob(
            track.path, os.fspath(target), chain, profile.delivery, noise.kind, loudness, 0.0, force
        )
        highest = db_to_gain(played.true_peak_dbtp) if played.true_peak_dbtp is not None else 0.0
        trims.append(common_trim_db(highest, job.bed(played.sample_rate, played.channels)))
        jobs.append(job)
    trim_db = min(trims)
    jobs = [replace(job, trim_db=trim_db) for job in jobs]
    lossy = any(read_info(job.source).lossy for job in jobs)
    codec = profile.delivery is not None and profile.delivery.codec != "none"
    with claimed(folder, targets, force):
        running = pool.run(render_under_noise, jobs, pool.workers_for(lossy or codec), lambda job: job.source)
        try:
            for result in pool.in_order(running, len(jobs), lambda: None):
                if isinstance(result, SimulatorError):
                    raise result
        finally:
            running.close()
            sweep(targets)
        with whole_file(targets[2], force) as passing:
            passing.write_text(
                _noise_text(profile, comparison, names, noise, loudness, trim_db),
                encoding="utf-8",
                errors="backslashreplace",
            )
    return trim_db


def render_under_noise(job: NoiseJob) -> None:
    """Plays one file through its chain over its bed. Raises AudioError and WriteError."""
    with AudioReader(job.source, hashed=False) as reader:
        rate, channels = reader.info.sample_rate, reader.info.channels
        delivering = None if job.delivery is None else Delivering(rate, channels, job.delivery)
        played_rate = rate if delivering is None else delivering.sample_rate
        played = play(reader, played_rate, channels, job.chain, None, delivering)
        stream = laid_under(played, job.bed(played_rate, channels), job.trim_db)
        frames = reader.info.frames * played_rate // rate
        write_audio(Path(job.target), stream, played_rate, channels, "float32", job.force, False, frames)


def _noise_text(
    profile: Profile, found: Comparison, names: Names, noise: Noise, loudness: float, trim_db: float
) -> str:
    """What was done, and where to listen."""
    kind = "pink noise" if noise.kind == "pink" else "noise low-passed like a car's"
    lines = [
        f"{profile.title} ({profile.id}): each version with its own gain for the whole track.",
        f"The same steady {kind} at {level(loudness)} LUFS, {level(noise.level_lu)} LU below {names.open} as "
        "played, is mixed under both. It is synthetic.",
        f"Both files, noise included, are trimmed by {level(trim_db)} dB to avoid clipping.",
        "",
        f"{'passage':<10}{'in 01 (' + names.loud + ')':>34}{'in 02 (' + names.open + ')':>34}",
    ]
    for word, window in (("loudest", found.passages.loudest), ("quietest", found.passages.quietest)):
        places = [
            format_time(max(0.0, at)) if at is not None else "–" for at in (window.loud_s, window.open_s)
        ]
        lines.append(f"{word:<10}{places[0]:>34}{places[1]:>34}")
    return "\n".join(lines) + "\n"


PARTS: dict[str, Part] = {
    "residual": "residual",
    "gain-riding": "gain_riding",
    "waveform-change": "waveform_change",
}
"""As the user writes them."""


def difference_target(folder: Path, part: str) -> Path:
    """DIR/difference-PART.wav."""
    return folder / f"difference-{part}.wav"


def write_difference(
    open_path: str, loud_path: str, part: str, folder: Path, store: Store, force: bool
) -> Path:
    """Writes the open version minus the matched loud one (or one part of that) as 32-bit float, in the open
    version's time and at its rate. Raises UsageError where the two are different performances, AudioError,
    and WriteError where the file is there already or cannot be written."""
    make_folder(folder)
    target = difference_target(folder, part)
    refuse_sources([target], [open_path, loud_path])
    with difference_audio(open_path, loud_path, store, PARTS[part]) as heard:
        write_audio(
            target, heard.blocks, heard.sample_rate, heard.channels, "float32", force, False, heard.frames
        )
    return target
