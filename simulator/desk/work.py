"""Work that a session asks for and does not wait for: other players, new revisions, alignments.

One thread does it in order; what is done is taken by the desk between two ticks. A failure is a value: it
costs that work alone. The thread is a daemon, so that leaving waits for nothing that nobody will read.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

from simulator.common.errors import SimulatorError

T = TypeVar("T")
Work = Callable[[], Sequence[T]]
Failed = Callable[[SimulatorError], Sequence[T]]


class Background(Generic[T]):
    """A queue of calls that each give events."""

    def __init__(self) -> None:
        self._asked: queue.SimpleQueue[tuple[Work[T], Failed[T]] | None] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Sequence[T] | BaseException] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._closed = False
        self.pending = 0

    def start(self, work: Work[T], failed: Failed[T]) -> None:
        """Queues a call; `failed` says which events a failure comes to."""
        self.pending += 1
        self._asked.put((work, failed))
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()

    def take(self, wait_s: float = 0.0) -> list[T]:
        """The events of all that is done by now, in order; waits up to `wait_s` for the first of them.
        Raises what is no error of the user's."""
        events: deque[T] = deque()
        while self.pending:
            try:
                found = self._done.get(timeout=wait_s) if wait_s > 0.0 else self._done.get_nowait()
            except queue.Empty:
                break
            self.pending -= 1
            wait_s = 0.0
            if isinstance(found, BaseException):
                raise found
            events.extend(found)
        return list(events)

    def close(self) -> None:
        """Begins nothing more, not even what is queued."""
        self._closed = True
        self._asked.put(None)
        self.pending = 0

    def _run(self) -> None:
        while (asked := self._asked.get()) is not None and not self._closed:
            work, failed = asked
            try:
                self._done.put(work())
            except SimulatorError as problem:
                self._done.put(failed(problem))
            except BaseException as problem:
                self._done.put(problem)
