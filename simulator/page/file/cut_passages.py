"""Audio of the page's passages, cut from the file and from the player's whole output.

Each file is read once, through the profile's delivery and the one chain, as far as its last passage; so
a limiter is in the state that it would be in there. Rates above 48 kHz are halved or quartered for the
page. The sounds are then written as FLAC, 16 bits, into memory.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioReader, read_info
from simulator.codecs.deliver import Delivering
from simulator.common.errors import SimulatorError
from simulator.dsp.limiter import LimiterReport
from simulator.engine import workers as pool
from simulator.metering.passage import Passage, PassageRecorder
from simulator.normalizer.chain import ChainSettings, play
from simulator.normalizer.profile import Delivery
from simulator.page.clips import Clip

HIGHEST_RATE = 48_000
WORKERS_PAY_FILES = 8
"""Workers take 0.4 s to start, and a file of four minutes less than that to read."""
Audio = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CutJob:
    """One file, what its profile's delivery and chain do to it, and the passages to cut. `content` (its hash)
    and `keep_in` (the cache's folder) find what is encoded already."""

    path: str
    chain: ChainSettings
    passages: tuple[Passage, ...]
    delivery: Delivery | None = None
    content: str = ""
    keep_in: Path | None = None


@dataclass(frozen=True, slots=True)
class Cuts:
    """The passages in the job's order, as delivered and as played, at one rate; `plain` where the player
    does nothing but a gain."""

    rate: int
    delivered: tuple[Audio, ...]
    played: tuple[Audio, ...]
    plain: bool


def cut_all(
    jobs: Sequence[CutJob], workers: int, step: Callable[[], None] = lambda: None
) -> list[Cuts | SimulatorError]:
    """All files, in order; one that fails costs no other. Codecs and lossy files work in a worker, which
    they may crash."""
    count = workers if len(jobs) > WORKERS_PAY_FILES else 0
    if not count and any(_may_crash(job) for job in jobs):
        count = 1
    return pool.in_order(pool.run(cut, jobs, count, lambda job: job.path), len(jobs), step)


def cut(job: CutJob) -> Cuts:
    """Reads one file, with a delivery twice: as it is, and through it. Raises AudioError."""
    with AudioReader(job.path, hashed=False) as reader:
        rate, channels = reader.info.sample_rate, reader.info.channels
        files = [PassageRecorder(passage.frames(rate)) for passage in job.passages]
        if job.delivery is not None:
            _pass(_watched(reader, files), files)
    with AudioReader(job.path, hashed=False) as reader:
        delivering, played_rate, blocks = None, rate, _watched(reader, files if job.delivery is None else [])
        if job.delivery is not None:
            delivering = Delivering(rate, channels, job.delivery, lambda: job.content, keep_in=job.keep_in)
            played_rate = delivering.sample_rate
        plays = [PassageRecorder(passage.frames(played_rate)) for passage in job.passages]
        stream = play(blocks, played_rate, channels, job.chain, LimiterReport(), delivering)
        _pass(_watched(stream, plays), plays)
    target = page_rate(rate)
    return Cuts(
        target,
        tuple(converted(file.samples(channels), rate, target) for file in files),
        tuple(converted(recorder.samples(channels), played_rate, target) for recorder in plays),
        job.delivery is None and job.chain == ChainSettings(job.chain.gain_db),
    )


def _may_crash(job: CutJob) -> bool:
    if job.delivery is not None and job.delivery.codec != "none":
        return True
    try:
        return read_info(job.path).lossy
    except SimulatorError:
        return False


def page_rate(rate: int) -> int:
    """The rate in the page: at most 48 kHz, a whole part of the file's where there is one."""
    parts = (rate // part for part in (1, 2, 3, 4) if rate % part == 0 and rate // part <= HIGHEST_RATE)
    return next(parts, HIGHEST_RATE)


def converted(samples: Audio, rate: int, target: int) -> Audio:
    """At another rate; the same array where it has that rate already."""
    if rate == target:
        return samples
    import soxr

    return np.asarray(soxr.resample(samples, rate, target, quality="VHQ"), dtype=np.float32)


def flac(clip: Clip) -> bytes:
    """One clip as a FLAC file of 16 bits, as small as FLAC gets, without tags."""
    import soundfile

    memory = io.BytesIO()
    soundfile.write(
        memory, clip.stored.samples, clip.rate, format="FLAC", subtype="PCM_16", compression_level=1.0
    )
    return memory.getvalue()


def _pass(stream: Generator[Audio], windows: Sequence[PassageRecorder]) -> None:
    """Lets a watched stream pass as far as its last window."""
    end, position = max(window.end for window in windows), 0
    for block in stream:
        position += block.shape[0]
        if position >= end:
            break
    stream.close()


def _watched(blocks: Iterable[Audio], windows: Sequence[PassageRecorder]) -> Generator[Audio, None, None]:
    position = 0
    for block in blocks:
        for window in windows:
            window.see(block, position)
        position += block.shape[0]
        yield block
