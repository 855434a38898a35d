"""A spawned process and the parent's end of its pipe."""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from collections.abc import Callable, Iterator
from typing import Any

from simulator.engine.signals import children_deaf, signals_held


class ChildProcess:
    """A spawned process that can be started any number of times; `target` gets its end of the pipe first.

    The child is deaf to its terminal from its first moment on; no signal comes between its start and the line
    that keeps its id.
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
            with children_deaf():
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
