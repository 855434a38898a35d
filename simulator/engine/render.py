"""Renders the audio as a player would play it: each track whole, and passages back to back.

Versions of a song are cut at one place, chosen on the first of them; other tracks at their own loudest
passage. Cuts come from the chain's whole output, so that a limiter is in its true state. A montage has one
rate (soxr's VHQ) and layout, each channel at its own loudspeaker, float32 (frames, channels).
"""

from __future__ import annotations

import contextlib
import math
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioReader
from simulator.audio_files.writer import FORMS, write_audio
from simulator.codecs.deliver import Delivering
from simulator.common.channels import CHANNEL_NAMES
from simulator.common.errors import AudioError, SimulatorError
from simulator.common.text import as_utf8, signed
from simulator.common.units import db_to_gain, format_time
from simulator.dsp.conversion import resample, resampled_frames
from simulator.dsp.limiter import LimiterReport
from simulator.engine import workers as pool
from simulator.engine.predict import MeasuredTrack
from simulator.metering.passage import Passage, PassageRecorder, places, with_edges
from simulator.normalizer.chain import ChainSettings, play
from simulator.normalizer.prediction import Prediction, chain_settings
from simulator.normalizer.profile import Delivery, Profile
from simulator.storage.writing import (
    claimed,
    cut_to_bytes,
    make_folder,
    refuse_existing,
    refuse_sources,
    sweep,
    whole_file,
)

Audio = NDArray[np.float32]


def common_channels(counts: Iterable[int]) -> int:
    """The smallest layout that has a loudspeaker for every channel of all these, two channels at least."""
    wanted = {name for count in counts if count > 1 for name in CHANNEL_NAMES[count]}
    return min(count for count, names in CHANNEL_NAMES.items() if count > 1 and wanted <= set(names))


def fitted(cut: Audio, rate: int, to_rate: int, channels: int) -> Audio:
    """A cut at the common rate and layout: mono goes to both front loudspeakers, any other channel to its
    own; those that the cut does not have stay silent."""
    if rate != to_rate:
        import soxr

        cut = np.asarray(soxr.resample(cut, rate, to_rate, quality="VHQ"), dtype=np.float32)
    cut = with_edges(cut, to_rate)
    if cut.shape[1] == 1:
        cut = np.repeat(cut, 2, axis=1)
    if cut.shape[1] == channels:
        return cut
    wide = np.zeros((cut.shape[0], channels), dtype=np.float32)
    for place, name in enumerate(CHANNEL_NAMES[cut.shape[1]]):
        wide[:, CHANNEL_NAMES[channels].index(name)] = cut[:, place]
    return wide


GAP_SECONDS = 0.5
MONTAGE_DELIVERED, MONTAGE_PLAYED, PLACES = "montage-delivered", "montage-played", "montage-places.txt"
LONGEST_STEM_BYTES = 240
"""Leaves room for the place and the ending in the 255 bytes that a name may have."""


@dataclass(frozen=True, slots=True)
class RenderPlan:
    """One player's render of a list of tracks; at its own rate each, or all at `rate` (Hz)."""

    profile: Profile
    folder: Path
    tracks: Sequence[MeasuredTrack]
    predictions: Sequence[Prediction | SimulatorError | None]
    form: str = "float32"
    seconds: float = 12.0
    rate: int | None = None
    cues: Mapping[str, Sequence[tuple[float, str]]] = field(default_factory=dict)
    """By a track's path: where (s) its WAV file gets cue points, and their labels."""

    def track_path(self, index: int) -> Path:
        """DIR/NN-STEM.wav: the place in the list and the source's name, cut where it would be too long."""
        stem = cut_to_bytes(Path(self.tracks[index].track.path).stem, LONGEST_STEM_BYTES)
        return self.folder / f"{index + 1:02d}-{stem}.{FORMS[self.form][0]}"

    def montage_path(self, name: str) -> Path:
        return self.folder / f"{name}.{FORMS[self.form][0]}"


@dataclass(frozen=True, slots=True)
class TrackJob:
    """One track's pass through the chain, into a file and into the two cuts."""

    source: str
    target: str
    chain: ChainSettings
    form: str
    force: bool
    passage: Passage
    rate: int | None = None
    delivery: Delivery | None = None
    content: str = ""
    """The hash of the samples that were measured; empty where it is not known."""
    cues: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """How many tracks are whole on the disk, and what went wrong with the others or the montages."""

    tracks: int
    problems: list[SimulatorError]
    montage_trim_db: float = 0.0
    """By how much both back-to-back files are turned down so that 24 bits hold them; 0 or less."""


Cuts = tuple[int, Audio, Audio]
"""Sample rate, the passage as delivered, the passage as played."""


def render(
    plan: RenderPlan,
    *,
    force: bool = False,
    keep_whole: bool = False,
    workers: int = 0,
    step: Callable[[], None] = lambda: None,
) -> Outcome:
    """Writes the plan's files; one that fails costs no other. With `keep_whole` (for the demo's own folder)
    existing files are kept as this plan's. Raises WriteError before any work where something would be
    overwritten or the folder cannot be made."""
    good = [index for index, found in enumerate(plan.predictions) if isinstance(found, Prediction)]
    ends = [plan.montage_path(MONTAGE_DELIVERED), plan.montage_path(MONTAGE_PLAYED), plan.folder / PLACES]
    targets = [*(plan.track_path(index) for index in good), *ends]
    if keep_whole and all(path.is_file() for path in targets):
        return Outcome(len(good), [])
    refuse_existing(targets, force or keep_whole)
    refuse_sources(targets, [track.track.path for track in plan.tracks])
    # the demo's own folder may be filled by two at once: both write the same, and each file whole
    claim = contextlib.nullcontext() if keep_whole else claimed(plan.folder, targets, force)
    with claim:
        if keep_whole:
            make_folder(plan.folder)
        passages = _passages(plan, good)
        jobs = [_job(plan, index, passages[index], force or keep_whole) for index in good]
        spread = workers if len(jobs) > 1 and _seconds(plan, good) > 150.0 else 0
        coded = plan.profile.delivery is not None and plan.profile.delivery.codec != "none"
        running = pool.run(render_track, jobs, spread or pool.workers_for(coded), lambda job: job.source)
        try:
            done = pool.in_order(running, len(jobs), step)
        finally:
            running.close()  # ends the workers, where an interrupt came between two results
            sweep([Path(job.target) for job in jobs])
        problems = [one for one in (*plan.predictions, *done) if isinstance(one, SimulatorError)]
        cuts = {index: cut for index, cut in zip(good, done, strict=True) if isinstance(cut, tuple)}
        trim_db = 0.0
        if cuts:
            try:
                trim_db = _write_montages(plan, cuts, passages, force or keep_whole)
            except SimulatorError as problem:
                problems.append(problem)
        return Outcome(len(cuts), problems, trim_db)


def _passages(plan: RenderPlan, good: Sequence[int]) -> dict[int, Passage]:
    """Of each track that the player plays, by its place, what goes into the montages."""
    chosen = places(
        [
            (plan.tracks[index].track.song, measured.series.energy, measured.duration_s)
            for index in good
            if (measured := plan.tracks[index].measurement) is not None
        ],
        plan.seconds,
    )
    return dict(zip(good, chosen, strict=True))


def _job(plan: RenderPlan, index: int, passage: Passage, force: bool) -> TrackJob:
    found, track = plan.predictions[index], plan.tracks[index].track
    assert isinstance(found, Prediction)
    return TrackJob(
        track.path,
        os.fspath(plan.track_path(index)),
        chain_settings(plan.profile, found.decision),
        plan.form,
        force,
        passage,
        plan.rate,
        plan.profile.delivery,
        plan.tracks[index].content,
        tuple(plan.cues.get(as_utf8(track.path), ())),
    )


def render_track(job: TrackJob) -> Cuts:
    """Plays one file through the chain into its target; returns the two cuts. Raises AudioError, and leaves
    no target, where the file is not the one that was measured."""
    with AudioReader(job.source, hashed=bool(job.content)) as reader:
        master_rate, channels = reader.info.sample_rate, reader.info.channels
        trip = (
            None if job.delivery is None else Delivering(master_rate, channels, job.delivery, name=job.source)
        )
        rate = master_rate if trip is None else trip.sample_rate
        delivered, played = (PassageRecorder(job.passage.frames(rate)) for _ in range(2))
        to_rate = job.rate or rate
        source: Iterable[Audio] = reader
        if trip is None:
            source = delivered.watch(reader)
        else:
            trip.watch = delivered.watch  # the master as it goes into the delivery, at the delivered rate
        stream = played.watch(play(source, rate, channels, job.chain, LimiterReport(), trip))
        # what a 24-bit file holds needs no dither to stay in 24 bits
        bits = reader.info.bits
        untouched = job.chain == ChainSettings(0.0, None) and to_rate == rate and trip is None
        dithered = not (untouched and bits is not None and bits <= 24)
        write_audio(
            Path(job.target),
            _as_measured(resample(stream, channels, rate, to_rate), reader, job),
            to_rate,
            channels,
            job.form,
            job.force,
            dithered,
            resampled_frames(reader.info.frames, master_rate, to_rate),
            [(round(at_s * to_rate), label) for at_s, label in job.cues],
        )
    return rate, delivered.samples(channels), played.samples(channels)


def _as_measured(stream: Iterable[Audio], reader: AudioReader, job: TrackJob) -> Iterator[Audio]:
    """The stream; an error at its end, before the target appears, where its source has changed since."""
    yield from stream
    if job.content and reader.content != job.content:
        raise AudioError(
            f"{job.source} has changed since it was measured.",
            "Render again once the file is no longer being written.",
        )


def _write_montages(
    plan: RenderPlan, cuts: dict[int, Cuts], passages: dict[int, Passage], force: bool
) -> float:
    """The two back-to-back files and the table of places. Where one of them would clip in 24 bits, both are
    turned down by the same amount, so that they still compare; returns it, in dB."""
    rate = plan.rate or Counter(cut[0] for cut in cuts.values()).most_common(1)[0][0]
    channels = common_channels([cut[1].shape[1] for cut in cuts.values()])
    gap = np.zeros((round(GAP_SECONDS * rate), channels), dtype=np.float32)

    def parts(name: str) -> Iterator[Audio]:
        for place, (own_rate, delivered, played) in enumerate(cuts.values()):
            if place:
                yield gap
            yield fitted(delivered if name == MONTAGE_DELIVERED else played, own_rate, rate, channels)

    trim_db = 0.0
    if plan.form != "float32":
        every = (part for name in (MONTAGE_DELIVERED, MONTAGE_PLAYED) for part in parts(name))
        trim_db = _trim_db(max(float(np.abs(part).max(initial=0.0)) for part in every))
    trim = np.float32(db_to_gain(trim_db))
    for name in (MONTAGE_DELIVERED, MONTAGE_PLAYED):
        source = parts(name) if trim_db == 0.0 else (part * trim for part in parts(name))
        write_audio(plan.montage_path(name), source, rate, channels, plan.form, force, True)
    with whole_file(plan.folder / PLACES, force) as passing:
        # a name in another encoding than the system's has no UTF-8: its bytes are written as \\udcNN
        passing.write_text(
            _places(plan, cuts, passages, rate, channels, trim_db),
            encoding="utf-8",
            errors="backslashreplace",
        )
    return trim_db


def _trim_db(peak: float) -> float:
    """What turns this peak down to full scale or just under it, in whole tenths of a dB; 0 where it fits."""
    return -math.ceil(20.0 * math.log10(peak) * 10.0) / 10.0 if 1.0 < peak < math.inf else 0.0


def trim_words(trim_db: float) -> str:
    """The sentence on that."""
    return f"Both montages are turned down {-trim_db:.1f} dB to avoid clipping at 24 bit."


def _places(
    plan: RenderPlan,
    cuts: dict[int, Cuts],
    passages: dict[int, Passage],
    rate: int,
    channels: int,
    trim_db: float,
) -> str:
    """The table: where each passage begins in the two files, what it is, and why."""
    layout = f", channels {' '.join(CHANNEL_NAMES[channels])}" if channels > 2 else ""
    lines = [
        f"{plan.profile.title} ({plan.profile.id})",
        f"{MONTAGE_DELIVERED}: as delivered. {MONTAGE_PLAYED}: as this player plays it. {rate} Hz{layout}.",
        *([trim_words(trim_db)] if trim_db else []),
        "",
        f"{'at':>7}  {'gain dB':>7}  track, and the passage",
    ]
    at = 0.0
    for index, cut in cuts.items():
        found, place = plan.predictions[index], passages[index]
        assert isinstance(found, Prediction)
        lines.append(
            format_time(at).rjust(7)
            + f"  {signed(found.decision.gain_db):>7}  {plan.tracks[index].track.title}: {place.reason}"
        )
        at += cut[1].shape[0] / cut[0] + GAP_SECONDS
    return "\n".join(lines) + "\n"


def _seconds(plan: RenderPlan, good: Sequence[int]) -> float:
    return sum(found.duration_s for index in good if (found := plan.tracks[index].measurement) is not None)
