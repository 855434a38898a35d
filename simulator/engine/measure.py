"""Measurement of files, as they are and as a player's chain puts them out: cache, workers and meters.

A job is small and picklable, so that it can be done in this process or in a spawned worker.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

from simulator.audio_files.faults import check_file
from simulator.audio_files.reader import AudioReader
from simulator.codecs.deliver import Delivering, delivery_steps, settings_of
from simulator.common.errors import AudioError, SimulatorError
from simulator.common.text import counted, visible
from simulator.dsp.limiter import LimiterReport
from simulator.dsp.segments import METER_FRAMES, SEGMENT_FRAMES
from simulator.engine import workers
from simulator.metering.measurement import Measurement
from simulator.metering.meter import Each, measure
from simulator.normalizer.chain import ChainSettings, play
from simulator.normalizer.profile import Delivery
from simulator.storage.measurement_cache import Store

LOG = logging.getLogger("fairhearing")
"""What --verbose reports: where each result is from, and how long it took."""

Part = TypeVar("Part")
Found = TypeVar("Found")


@contextmanager
def channel_threads() -> Iterator[Each]:
    """An `each` for `measure` that begins at once (see `reads_on` there), with two threads: every channel is
    on the same one all the time."""
    with ThreadPoolExecutor(1) as first, ThreadPoolExecutor(1) as second:

        def each(function: Callable[[Part], Found], parts: Iterable[Part]) -> Iterator[Found]:
            begun = [(first, second)[place % 2].submit(function, part) for place, part in enumerate(parts)]
            return (one.result() for one in begun)

        yield each


POOL_PAYS_SECONDS = 2.5
"""Estimated work from which worker processes are started (they take 0.4 s to start)."""
_SPEED_MEASURE = 350.0
_SPEED_LIMIT = 60.0
_SPEED_CODEC = 40.0
"""Rough speeds in times real time for stereo at 44.1 kHz, for that estimate only."""
_SAMPLES_IN_A_BYTE = {".flac": 0.6, ".mp3": 2.8, ".ogg": 4.0, ".opus": 5.0, ".m4a": 2.8}
"""For the same estimate, roughly; others count as 24 bits."""


@dataclass(frozen=True, slots=True)
class Job:
    """One pass over one file: delivered and through `chain` where they are given, into the meter.
    `before_db` lowers the master before its delivery; `content` and `keep_in` let an encoded file be found
    again and kept (`measure_all` fills them in)."""

    path: str
    ceiling_dbtp: float = 0.0
    chain: ChainSettings | None = None
    delivery: Delivery | None = None
    before_db: float = 0.0
    content: str = field(default="", compare=False)
    keep_in: Path | None = field(default=None, compare=False)

    @property
    def settings(self) -> str:
        """What the result depends on besides the content."""
        plain = f"ceiling {self.ceiling_dbtp!r}; chain {self.chain!r}"
        return plain if self.delivery is None else f"{plain}; {settings_of(self.delivery, self.before_db)}"

    @property
    def lossy(self) -> bool:
        return self.delivery is not None and self.delivery.codec != "none"


@dataclass(frozen=True, slots=True)
class Result:
    """What a pass found, what the content was, and what was done for it, in words."""

    measurement: Measurement
    limiter: LimiterReport | None
    content: str
    done: str = field(default="", compare=False)


def measure_alone(job: Job) -> Result:
    """`measure_file` with a thread a channel: for the only process that measures."""
    workers.keep_freed_memory()
    with channel_threads() as each:
        return measure_file(job, each, ahead=True)


def measure_file(job: Job, each: Each = map, *, ahead: bool = False) -> Result:
    """Reads the file and measures it; `each` works on its channels, `ahead` decodes in a thread beside
    it. Raises AudioError that begins with the path."""
    begun = time.monotonic()
    block = METER_FRAMES if job.chain is None and job.delivery is None else SEGMENT_FRAMES
    with AudioReader(job.path, ahead=ahead, block_frames=block) as reader:
        info = reader.info
        bits, rate = info.bits, info.sample_rate
        report = LimiterReport() if job.chain is not None else None
        delivering = None
        try:
            if job.delivery is not None:
                delivering = Delivering(
                    rate,
                    info.channels,
                    job.delivery,
                    content=lambda: reader.content or job.content,
                    before_db=job.before_db,
                    keep_in=job.keep_in,
                )
                rate = delivering.sample_rate
                bits = job.delivery.bits if job.delivery.codec == "none" else None
            blocks = iter(reader)
            if job.chain is not None and report is not None:
                blocks = play(reader, rate, info.channels, job.chain, report, delivering)
                bits = None
            elif delivering is not None:
                blocks = delivering(reader)
            found = measure(
                blocks,
                rate,
                info.channels,
                bits=bits,
                ceiling_dbtp=job.ceiling_dbtp,
                each=each,
                reads_on=ahead,
            )
        except SimulatorError as problem:
            if not problem.message.startswith(job.path):
                problem.message = f"{job.path}: {problem.message}"
            raise
        words = [] if delivering is None else [_encoding(delivering)]
        words += ["played through the chain"] * (job.chain is not None)
        words.append(f"measured in {time.monotonic() - begun:.2f} s")
        return Result(found, report, reader.content or job.content, ", ".join(words))


def _encoding(delivering: Delivering) -> str:
    """What was done to a master on its way to the player."""
    if delivering.delivery.codec == "none":
        return "converted"
    name = delivery_steps(delivering.delivery, delivering.master_rate)[-1][0]
    return f"{name} from the cache" if delivering.from_cache else f"encoded: {name}"


def measure_all(
    jobs: Sequence[Job], store: Store, most_workers: int, step: Callable[[], None] = lambda: None
) -> list[Result | SimulatorError]:
    """All jobs, from the cache where it knows them; in order. What is asked for several times is done
    once, and no worker gets a file that cannot be opened. `step` is called as each is finished."""
    unique = list(dict.fromkeys(jobs))
    if len(unique) < len(jobs):
        found_once = dict(zip(unique, measure_all(unique, store, most_workers, step), strict=True))
        for _ in range(len(jobs) - len(unique)):
            step()
        return [found_once[job] for job in jobs]
    jobs = unique
    known: dict[int, Result | SimulatorError] = {}
    for index, job in enumerate(jobs):
        try:
            check_file(job.path)
        except AudioError as problem:
            known[index] = problem
            step()
            continue
        content = store.content_of(job.path)
        found = None if content is None else store.find(content, job.settings)
        if content is not None and found is not None:
            known[index] = Result(found[0], found[1], content)
            LOG.info(
                "%s", visible(f"{job.path}: {'measured' if job.chain is None else 'played'}, from the cache")
            )
            step()
        elif jobs[index].lossy:
            jobs[index] = replace(jobs[index], content=content or "", keep_in=store.encoded_folder)
    left = [index for index in range(len(jobs)) if index not in known]
    todo = [jobs[index] for index in left]
    count = _workers_for(todo, most_workers, store)
    work = measure_file if count > 1 else measure_alone
    if todo:
        where = f"in {counted(count, 'worker process', 'worker processes')}" if count else "in this process"
        LOG.info("%s %s", counted(len(todo), "pass", "passes"), where)
    outcome: dict[int, Result | SimulatorError] = dict(known)
    for place, result in workers.run(work, todo, count, lambda job: job.path):
        index = left[place]
        outcome[index] = result
        if isinstance(result, Result):  # kept at once: whoever stops a long run goes on from there
            store.keep_content(jobs[index].path, result.content)
            store.keep(result.content, jobs[index].settings, result.measurement, result.limiter)
            LOG.info("%s", visible(f"{jobs[index].path}: {result.done}"))
        step()
    return [outcome[index] for index in range(len(jobs))]


def _workers_for(jobs: Sequence[Job], most: int, store: Store) -> int:
    """0: do the work here. A codec, and a file that has never been decoded to its end, always have a worker,
    which may crash."""
    seconds = sum(_seconds(job) for job in jobs)
    if len(jobs) > 1 and most > 1 and seconds > POOL_PAYS_SECONDS:
        return min(most, len(jobs))
    return workers.workers_for(any(job.lossy or not store.was_decoded(job.path) for job in jobs))


def _seconds(job: Job) -> float:
    """About how long it takes. By the size of the file: its header has not been read yet."""
    try:
        size = os.path.getsize(job.path)
    except (OSError, ValueError):
        return 0.0
    samples = size * _SAMPLES_IN_A_BYTE.get(os.path.splitext(job.path)[1].lower(), 0.33)
    speed = _SPEED_LIMIT if job.chain is not None and job.chain.limiter is not None else _SPEED_MEASURE
    return samples / (44_100 * 2) / (_SPEED_CODEC if job.lossy else speed)
