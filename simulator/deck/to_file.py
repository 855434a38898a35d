"""The deck that plays into a file: the same callback, driven by hand, as fast as the lanes are made.

Time is what the session lets pass. float32 WAV, whole or not at all.
"""

from __future__ import annotations

import atexit
import contextlib
import multiprocessing
import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.writer import WAV_LIMIT
from simulator.common.errors import UsageError, WriteError
from simulator.deck.callback import Callback, Hold, Leaving, Order
from simulator.deck.interface import Deck, DeviceView, Kind, Now
from simulator.deck.lanes import LaneBook, Scratch
from simulator.deck.orders import Orders
from simulator.deck.renderer import RendererProcess
from simulator.deck.shared_memory import FRAME_BYTES, MappedLanes, Shared
from simulator.engine.interrupts import signals_held
from simulator.engine.workers import start_tracker
from simulator.storage.writing import refusal, refuse_existing, whole_file, write_error

BLOCK_FRAMES = 1024
LOOK_SECONDS = 0.005


class _NothingPlayedError(Exception):
    """Leaves the file as it was."""


class FileDeck(Deck):
    """A session's sound as a file."""

    def __init__(
        self, path: Path, sample_rate: int, *, force: bool = False, cache: Path | None = None
    ) -> None:
        """Begins the file. Raises WriteError where it is there already or cannot be written."""
        import soundfile

        refuse_existing([path], force)
        self._path = path
        self._out = np.zeros((BLOCK_FRAMES, 2), np.float32)
        self._owed = 0.0
        self._written = 0
        self._torn = False
        with signals_held(), contextlib.ExitStack() as closing:
            start_tracker()
            context: Any = multiprocessing.get_context("spawn")
            shared = Shared(context)
            cells = shared.cells(sample_rate)
            scratch = Scratch(cache)
            closing.callback(scratch.close)
            try:
                self._passing = passing = closing.enter_context(whole_file(path, force))
                self._file = closing.enter_context(
                    soundfile.SoundFile(
                        os.fsencode(passing) if os.name == "posix" else os.fspath(passing),
                        "w",
                        sample_rate,
                        2,
                        format="WAV",
                        subtype="FLOAT",
                    )
                )
            except soundfile.LibsndfileError as problem:
                raise write_error(path, refusal(passing, problem.error_string)) from None
            renderer = RendererProcess(context, shared, str(scratch.folder), scratch.log, sample_rate)
            closing.callback(renderer.close)
            book = LaneBook(cells, sample_rate, renderer, scratch.free_bytes)
            self._asked = Orders(book, cells, sample_rate)
            self._mapped = MappedLanes(scratch.folder, cells, sample_rate)
            closing.callback(self._mapped.close)
            self._callback = Callback(self._mapped, cells, sample_rate)
            self._closing = closing.pop_all()
            atexit.register(self.close)

    kind: Kind = "file"
    latency_s = 0.0
    device: str | None = None
    silent_because: str | None = None

    @property
    def played(self) -> bool:
        """True where anything has been played into the file. Else there will be none."""
        return self._written > 0

    def _send(self, order: Order | Leaving | Hold) -> None:
        self._callback.take(order)

    def ready(self) -> None:
        """It is."""

    def now(self) -> Now:
        return self._orders.now(alive=True, why=None)

    @property
    def _orders(self) -> Orders:
        return self._asked

    def devices(self) -> Sequence[DeviceView]:
        """There are none to choose from."""
        return []

    def choose(self, name: str | None) -> None:  # noqa: ARG002
        """Raises UsageError: the session goes into the file."""
        raise UsageError(f"The session plays into {self._path}.", "Start it without --to-file for a device.")

    def pass_time(self, seconds: float) -> None:
        """Plays that much into the file. Raises WriteError where the disk is full or the file too long."""
        self._owed += seconds * self.sample_rate
        try:
            while self._owed >= 1.0:
                count = min(BLOCK_FRAMES, int(self._owed))
                self._wait_for_lanes(count)
                block = self._out[:count]
                with signals_held():  # a block is in the file, or it has not been played
                    self._callback.fill(block)
                    self._write(block)
                    self._owed -= count
        except BaseException:
            self._torn = True
            raise

    def close(self) -> None:
        """Ends the file with the fade of what still sounds, and the renderer. Where nothing was played
        there is no file, and one that was to be replaced stays."""
        with signals_held(), contextlib.suppress(_NothingPlayedError), self._closing:
            atexit.unregister(self.close)
            if not self._callback.silent and not self._file.closed:
                self.pause()
                self._owed = 0.0
                self.pass_time(0.006)
            if not self._written:
                raise _NothingPlayedError

    def _write(self, block: NDArray[np.float32]) -> None:
        self._written += block.shape[0]
        if self._written * FRAME_BYTES > WAV_LIMIT:
            raise WriteError(f"{self._path}: the session is too long for one WAV file.", "Play it in parts.")
        try:
            self._file.write(block)
        except Exception as problem:
            raise write_error(self._path, refusal(self._passing, str(problem))) from None

    def _wait_for_lanes(self, frames: int) -> None:
        """Until the lanes at the place are made far enough, or cannot be."""
        while True:
            at = self._callback.place()
            if at is not None:
                order, part, _ = at
                near = {order.parts[index % len(order.parts)].lane for index in (part, part + 1)}
                self._mapped.keep(near | self._callback.sounding)
                self._orders.tend()
            self.lanes.tend()
            if at is None or self._torn or not self._callback.lacks(frames):
                return
            if any(self.lanes.problem(lane) for lane in near):
                return
            time.sleep(LOOK_SECONDS)
