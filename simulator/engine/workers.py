"""Spawned worker processes; one that crashes costs its file.

More than one pays only where the work takes longer than about two seconds (two workers with numpy start in
0.4 s). A worker that dies breaks its pool: the jobs in progress are repeated, each in a worker of its own, so
that exactly those that kill their worker fail, by name. A worker ends with the process that started it, also
where that one is killed.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextvars import ContextVar
from itertools import islice
from typing import Any, TypeVar

from simulator.common.errors import AudioError, SimulatorError
from simulator.engine.interrupts import ignore_terminal_signals, signals_held, terminal_signals_blocked
from simulator.storage.process_life import end_with_parent

Job = TypeVar("Job")
Result = TypeVar("Result")
STALL_SECONDS = 1800.0
"""If no job is done in that time, something hangs: a limiter does ten hours of music in less than half of
it."""


class _StalledError(BrokenProcessPool):
    """No worker has answered for STALL_SECONDS. The rest is then done job by job."""


_STAYS = ContextVar("stays", default=False)


@contextlib.contextmanager
def in_this_process() -> Iterator[None]:
    """Nothing in the block starts a process: for notebooks, and scripts without a main guard. A decoder that
    crashes then takes this process with it."""
    token = _STAYS.set(True)
    try:
        yield
    finally:
        _STAYS.reset(token)


def stays_in_process() -> bool:
    """True where all work is to be done in this process; FAIRHEARING_IN_PROCESS sets it for a whole run."""
    return _STAYS.get() or os.environ.get("FAIRHEARING_IN_PROCESS") is not None


def workers_for(risky: bool) -> int:
    """One worker for a decoder or codec that may crash; 0, in this process, for anything else."""
    return int(risky and not stays_in_process())


def default_workers() -> int:
    """The cores this process may use, at most 4: reading the disk bounds more."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(usable, 4))


def one_blas_thread() -> None:
    """Holds BLAS to one thread in this process: with two, the small products run 25 times slower."""
    import numpy as np  # the library must be there before it can be held
    import threadpoolctl

    np.zeros(1)
    threadpoolctl.threadpool_limits(1, user_api="blas")


def start_tracker() -> None:
    """Starts Python's resource tracker with SIGHUP ignored, as SIGINT and SIGTERM are: a terminal that closes
    signals its whole group, and a tracker that dies first leaves tracebacks. Call it before spawning."""
    if not hasattr(signal, "SIGHUP"):  # pragma: no cover - not on POSIX: there is no such process
        return
    from multiprocessing import resource_tracker

    with terminal_signals_blocked():
        resource_tracker.ensure_running()


def _prepare() -> None:
    ignore_terminal_signals()
    end_with_parent()
    one_blas_thread()
    keep_freed_memory()
    quiet_libraries()


def quiet_libraries() -> None:
    """Drops what decoders write to descriptor 2 past Python in a worker. Python's own messages stay."""
    with contextlib.suppress(OSError, ValueError):
        own = os.dup(2)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        sys.stderr = os.fdopen(own, "w", buffering=1, encoding="utf-8", errors="backslashreplace")


def keep_freed_memory() -> None:
    """Has glibc keep what is freed for the next block and the next file: fresh pages from the system cost a
    tenth of the time, and more with several workers."""
    import ctypes

    trim_threshold, mmap_threshold = -1, -3  # mallopt(3), glibc
    with contextlib.suppress(OSError, AttributeError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(mmap_threshold, 64 * 1024 * 1024)
        library.mallopt(trim_threshold, 512 * 1024 * 1024)


def run(
    function: Callable[[Job], Result], jobs: Sequence[Job], workers: int, name: Callable[[Job], str]
) -> Generator[tuple[int, Result | SimulatorError], None, None]:
    """Does `function` for every job; yields (index, result) as they finish, and the project's own
    errors as results. With `workers` 0 the work is done in this process, in order."""
    if workers <= 0:
        for index, job in enumerate(jobs):
            yield index, _guarded(function, job)
        return
    left = dict(enumerate(jobs))
    while left:
        given_out: dict[int, Job] = {}
        try:
            for index, result in _pooled(function, left, min(workers, len(left)), given_out):
                del left[index]
                yield index, result
        except BrokenProcessPool:
            for index, job in sorted(given_out.items()):
                del left[index]
                yield index, _alone(function, job, name(job))


def _alone(function: Callable[[Job], Result], job: Job, name: str) -> Result | SimulatorError:
    """One job in a worker of its own; its death as the error of this job."""
    try:
        [(_, result)] = _pooled(function, {0: job}, 1, {})
        return result
    except _StalledError:
        return AudioError(
            f"{name}: stopped responding for {STALL_SECONDS / 60.0:.0f} minutes and was abandoned.",
            "The file may be damaged, or its disk may hang. Copy it elsewhere and try again.",
        )
    except BrokenProcessPool:
        return AudioError(
            f"{name}: the decoder crashed on this file.",
            "The file is probably damaged; export it again.",
        )


def _pooled(
    function: Callable[[Job], Result], jobs: dict[int, Job], workers: int, given_out: dict[int, Job]
) -> Iterator[tuple[int, Result | SimulatorError]]:
    """The results as they finish. `given_out` holds the jobs that the workers have at any moment: two a
    worker, so that none waits for the next."""
    context: Any = multiprocessing.get_context("spawn")
    start_tracker()
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_prepare)
    futures: dict[Future[Result | SimulatorError], int] = {}
    to_come = iter(list(jobs.items()))
    try:
        while True:
            for index, job in islice(to_come, 2 * workers - len(given_out)):
                with terminal_signals_blocked():  # may start a worker
                    futures[pool.submit(_guarded, function, job)] = index
                given_out[index] = job
            if not given_out:
                break
            done, _ = wait(futures, STALL_SECONDS, return_when=FIRST_COMPLETED)
            if not done:
                raise _StalledError
            broken: BrokenProcessPool | None = None
            for future in done:
                index = futures.pop(future)
                try:
                    result = future.result()
                except BrokenProcessPool as problem:
                    broken = problem
                else:
                    del given_out[index]
                    yield index, result
            if broken is not None:
                raise broken
    except BaseException:
        _end(pool)
        raise
    pool.shutdown(wait=True)


def _end(pool: ProcessPoolExecutor) -> None:
    """Ends the workers at once, by their ids: they ignore Ctrl-C. None writes any more afterwards."""
    processes = list((getattr(pool, "_processes", None) or {}).values())
    for process in processes:
        process.terminate()
    for process in processes:
        process.join(2.0)
    pool.shutdown(wait=False, cancel_futures=True)


def _guarded(function: Callable[[Job], Result], job: Job) -> Result | SimulatorError:
    try:
        return function(job)
    except SimulatorError as problem:
        return problem


def in_order(
    results: Iterable[tuple[int, Result | SimulatorError]], count: int, step: Callable[[], None]
) -> list[Result | SimulatorError]:
    """Collects what `run` yields, in the order of the jobs; `step` is called as each one finishes."""
    found: dict[int, Result | SimulatorError] = {}
    for index, result in results:
        found[index] = result
        step()
    return [found[index] for index in range(count)]


class ChildProcess:
    """A spawned process that can be started any number of times; `target` gets its end of the pipe first.

    The child never receives its terminal's signals; no signal comes between its start and the line that keeps
    its id.
    """

    def __init__(self, target: Callable[..., None], context: Any = None) -> None:
        self._target = target
        self._context = context or multiprocessing.get_context("spawn")
        self._process: Any = None
        self._pipe: Any = None
        self.started_at = time.monotonic()

    @property
    def running(self) -> bool:
        """Started, and not ended from here."""
        return self._process is not None

    def start(self, *arguments: object) -> None:
        """Starts it (again) with these arguments."""
        with signals_held():
            if self._pipe is not None:
                self._pipe.close()
            self._pipe, theirs = self._context.Pipe()
            process = self._context.Process(target=self._target, args=(theirs, *arguments), daemon=True)
            with terminal_signals_blocked():
                process.start()
            self._process = process
            theirs.close()
        self.started_at = time.monotonic()

    def send(self, message: object) -> None:
        """Passes a message on; one that finds the process dead is dropped."""
        with contextlib.suppress(OSError):
            if self.running:
                self._pipe.send(message)

    def receive(self, seconds: float | None) -> object:
        """Its next message; None where there is none within this time (`seconds` None: waits). Raises
        EOFError where it has died."""
        try:
            return self._pipe.recv() if self.running and self._pipe.poll(seconds) else None
        except OSError:
            raise EOFError from None

    def messages(self) -> Iterator[Any]:
        """What has come since. Raises EOFError where it has died."""
        while (message := self.receive(0.0)) is not None:
            yield message

    def died(self) -> bool:
        """True where it has ended by itself."""
        return self.running and not self._process.is_alive()

    def kill(self) -> None:
        """Kills it from another thread; the one that receives gets EOFError and ends it."""
        process = self._process
        if process is not None:
            process.kill()

    def end(self, last_message: object = None, seconds: float = 0.0) -> None:
        """Ends it: at once, or with a last message and the time to act on it."""
        if not self.running:
            return
        if last_message is not None:
            self.send(last_message)
            self._process.join(seconds)
        self._process.kill()
        self._process.join()
        self._pipe.close()
        self._process = self._pipe = None
