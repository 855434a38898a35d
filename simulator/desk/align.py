"""Alignment while the session goes on: in a process of its own, so that the prompt never waits for it, its
memory ends with it, and leaving ends it at once.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import cast

from simulator.common.errors import AudioError, SimulatorError
from simulator.comparison.alignment import Alignment
from simulator.engine.align import alignment_of, known_alignment
from simulator.engine.child import ChildProcess
from simulator.engine.signals import ignore_terminal
from simulator.engine.workers import one_blas_thread, start_tracker
from simulator.storage.measurement_cache import Store
from simulator.storage.process_life import end_with_parent

Pair = tuple[str, str]
Found = Alignment | SimulatorError


class Aligner:
    """Aligns pairs of files; `cache` is the cache's folder, or None. One call at a time, in any thread;
    `close` may come from another and ends the work."""

    def __init__(self, cache: Path | None, *, rehash: bool = False) -> None:
        self._cache, self._rehash = cache, rehash
        self._child: ChildProcess | None = None
        self._closed = False

    def align(self, pairs: Sequence[Pair]) -> list[Found]:
        """How the second file of each pair lies against the first, or why that cannot be said; in order.
        What the cache knows needs no process."""
        store = Store(self._cache, lambda _: None, rehash=self._rehash)
        try:
            found: list[Found | None] = [known_alignment(first, second, store) for first, second in pairs]
        finally:
            store.close()
        missing = [index for index, one in enumerate(found) if one is None]
        for index, one in zip(missing, self._apart([pairs[index] for index in missing]), strict=True):
            found[index] = one
        return [one for one in found if one is not None]

    def close(self) -> None:
        """Ends what runs."""
        self._closed = True
        if self._child is not None:
            self._child.kill()

    def _apart(self, pairs: Sequence[Pair]) -> list[Found]:
        if not pairs or self._closed:
            return [_ended(pair) for pair in pairs]
        start_tracker()
        child = self._child = ChildProcess(_align)
        child.start(list(pairs), self._cache, self._rehash)
        found: list[Found] = []
        with contextlib.suppress(EOFError):  # it died, or was ended
            while len(found) < len(pairs):
                found.append(cast("Found", child.receive(None)))
        child.end()
        return found + [_ended(pair) for pair in pairs[len(found) :]]


def _ended(pair: Pair) -> AudioError:
    return AudioError(
        f"{pair[1]} could not be time-aligned with {pair[0]}.",
        "One of the files may be damaged; export it again.",
    )


def _align(answers: Connection, pairs: list[Pair], cache: Path | None, rehash: bool) -> None:
    """The process: one answer a pair."""
    ignore_terminal()
    end_with_parent()
    if hasattr(os, "nice"):
        os.nice(10)  # what plays comes first
    one_blas_thread()
    os.environ["FAIRHEARING_IN_PROCESS"] = "1"  # it is apart already: a crash costs this process alone
    store = Store(cache, lambda _: None, rehash=rehash)
    try:
        for first, second in pairs:
            try:
                answers.send(alignment_of(first, second, store))
            except SimulatorError as problem:
                answers.send(problem)
    finally:
        store.close()
        answers.close()
