"""The parent's end of the process that holds the stream."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from typing import Any

from simulator.deck import stream_process as child
from simulator.deck.shared_state import Shared
from simulator.deck.stream_process import Close, Opening
from simulator.engine.signals import children_deaf, signals_held

CLOSE_SECONDS = 2.0


class StreamProcess:
    """A spawned process with a stream; it can be begun anew any number of times."""

    def __init__(self, context: Any, shared: Shared) -> None:
        self._context, self._shared = context, shared
        self._process: Any = None
        self._pipe: Any = None
        self.begun = time.monotonic()

    @property
    def process_id(self) -> int | None:
        return None if self._process is None else int(self._process.pid)

    def begin(self, opening: Opening) -> None:
        """Starts it."""
        with signals_held():
            self._pipe, theirs = self._context.Pipe()
            process = self._context.Process(
                target=child.run, args=(theirs, self._shared, opening), daemon=True
            )
            with children_deaf():
                process.start()
            self._process = process
            theirs.close()
        self.begun = time.monotonic()

    def end(self, *, politely: bool) -> None:
        """Ends it: after its fade, or at once."""
        if self._process is None:
            return
        if politely:
            self.send(Close())
            self._process.join(CLOSE_SECONDS)
        self._process.kill()
        self._process.join()
        self._pipe.close()
        self._process = None

    def send(self, message: object) -> None:
        """Passes a message on; one that finds the process dead is kept in the orders for the next."""
        with contextlib.suppress(OSError):
            if self._process is not None:
                self._pipe.send(message)

    def answer(self, seconds: float) -> object:
        """Its next word; None where there is none within this time."""
        with contextlib.suppress(EOFError, OSError):
            if self._process is not None and self._pipe.poll(seconds):
                return self._pipe.recv()
        return None

    def heard(self) -> Iterator[object]:
        """What it has said since. Raises EOFError where it has died."""
        try:
            while self._process is not None and self._pipe.poll():
                yield self._pipe.recv()
        except OSError:
            raise EOFError from None
