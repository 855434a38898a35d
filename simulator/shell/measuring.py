"""What do these files measure, as they are and as a player's chain puts them out? Cache, workers and
meters put together.

A job is small and picklable, so that it can be done in this process or in a spawned worker.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from simulator.errors import SimulatorError
from simulator.measure.measurement import Measurement
from simulator.measure.meter import Each, measure
from simulator.player.chain import ChainSettings, play
from simulator.player.limiter import LimiterReport
from simulator.shell import workers
from simulator.shell.files import AudioReader, read_info
from simulator.shell.store import Store

POOL_PAYS_SECONDS = 2.5
"""Estimated work from which worker processes are started (they take 0.4 s to start)."""
_SPEED_MEASURE = 350.0
_SPEED_LIMIT = 60.0
"""Rough speeds in times real time for stereo at 44.1 kHz, for that estimate only."""


@dataclass(frozen=True, slots=True)
class Job:
    """One pass over one file: through `chain` if there is one, into the meter."""

    path: str
    ceiling_dbtp: float = 0.0
    chain: ChainSettings | None = None

    @property
    def settings(self) -> str:
        """What the result depends on besides the content."""
        return f"ceiling {self.ceiling_dbtp!r}; chain {self.chain!r}"


@dataclass(frozen=True, slots=True)
class Result:
    """What a pass found, and what the content was."""

    measurement: Measurement
    limiter: LimiterReport | None
    content: str


def do_alone(job: Job) -> Result:
    """`do` with a thread a channel: for the only process that measures."""
    with ThreadPoolExecutor(2) as pool:
        return do(job, pool.map)


def do(job: Job, each: Each = map) -> Result:
    """Reads the file and measures it; `each` works on its channels. Raises AudioError that begins with
    the path."""
    with AudioReader(job.path) as reader:
        info = reader.info
        bits = None if info.lossy else info.bits
        report = LimiterReport() if job.chain is not None else None
        blocks = iter(reader)
        if job.chain is not None and report is not None:
            blocks = play(reader, info.sample_rate, info.channels, job.chain, report)
            bits = None
        try:
            found = measure(
                blocks, info.sample_rate, info.channels, bits=bits, ceiling_dbtp=job.ceiling_dbtp, each=each
            )
        except SimulatorError as problem:
            if not problem.message.startswith(job.path):
                problem.message = f"{job.path}: {problem.message}"
            raise
        return Result(found, report, reader.content)


def do_all(
    jobs: Sequence[Job], store: Store, most_workers: int, step: Callable[[], None] = lambda: None
) -> list[Result | SimulatorError]:
    """All jobs, from the cache where it knows them; in order. `step` is called as each is finished."""
    known: dict[int, Result] = {}
    for index, job in enumerate(jobs):
        content = store.content_of(job.path)
        found = None if content is None else store.find(content, job.settings)
        if content is not None and found is not None:
            known[index] = Result(found[0], found[1], content)
            step()
    left = [index for index in range(len(jobs)) if index not in known]
    count = _workers_for([jobs[index] for index in left], most_workers)
    todo = [jobs[index] for index in left]
    work = do if count > 1 else do_alone
    done = workers.in_order(workers.run(work, todo, count, lambda job: job.path), len(todo), step)
    outcome: dict[int, Result | SimulatorError] = dict(known)
    for index, result in zip(left, done, strict=True):
        outcome[index] = result
        if isinstance(result, Result):
            store.keep_content(jobs[index].path, result.content)
            store.keep(result.content, jobs[index].settings, result.measurement, result.limiter)
    return [outcome[index] for index in range(len(jobs))]


def _workers_for(jobs: Sequence[Job], most: int) -> int:
    """0: do the work here. A lossy file is always read in a worker, whose decoder may crash."""
    if not jobs:
        return 0
    seconds, lossy = 0.0, False
    for job in jobs:
        try:
            info = read_info(job.path)
        except SimulatorError:
            continue
        lossy = lossy or info.lossy
        speed = _SPEED_LIMIT if job.chain is not None and job.chain.limiter is not None else _SPEED_MEASURE
        seconds += info.frames * info.channels / (44_100 * 2) / speed
    if len(jobs) > 1 and most > 1 and seconds > POOL_PAYS_SECONDS:
        return min(most, len(jobs))
    return 1 if lossy and os.environ.get("FAIRHEARING_IN_PROCESS") is None else 0
