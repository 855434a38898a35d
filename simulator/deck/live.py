"""The deck that sounds, or runs silently by the clock: the parent's side of the process with the stream.

The process is ended and started again whenever its stream is lost, hangs, or another device is chosen:
nothing of the sound system's is ever closed in the session's own process. The list of devices is asked for in
a process of its own, because PortAudio's stays as it was when it started.
"""

from __future__ import annotations

import atexit
import contextlib
import multiprocessing
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import UsageError
from simulator.common.listening import Listen
from simulator.deck import stream
from simulator.deck.callback import Leaving
from simulator.deck.interface import Deck, DeckProgram, DeviceView, Kind, Now, OutputChoice
from simulator.deck.lanes import MOST_BYTES, LaneBook, Scratch
from simulator.deck.orders import Orders
from simulator.deck.renderer import RendererProcess
from simulator.deck.shared_memory import Cells, Shared
from simulator.deck.stream import (
    Close,
    Hold,
    Lost,
    NoSound,
    Opened,
    Opening,
    Refused,
    named,
    outputs,
    quiet_process,
)
from simulator.deck.to_file import FileDeck
from simulator.engine.interrupts import signals_held
from simulator.engine.workers import ChildProcess, start_tracker
from simulator.storage.process_life import end_with_parent

CLOSE_SECONDS = 2.0


LIMIT_SECONDS = 6.0
HANGS = "The sound system is not responding."


def run(pipe: Connection, log: str) -> None:
    """Sends the list of devices, or the reason why there is none."""
    quiet_process(log)
    end_with_parent()
    answer: list[DeviceView] | str
    try:
        answer = [device for _, device in outputs()]
    except NoSound as problem:
        answer = str(problem)
    pipe.send(answer)
    os._exit(0)


def list_devices(context: Any, log: str, seconds: float = LIMIT_SECONDS) -> list[DeviceView]:
    """The output devices, where the sound system answers in time. Raises NoSound."""
    child = ChildProcess(run, context)
    child.start(log)
    answer: Any = None
    try:
        with contextlib.suppress(EOFError):
            answer = child.receive(seconds)
    finally:
        child.end()  # it has nothing left to do, or hangs
    if answer is None or isinstance(answer, str):
        raise NoSound(answer or HANGS)
    return list(answer)


ANY_OUTPUT = OutputChoice()
OPEN_SECONDS = 8.0
"""So long may the sound system take to answer."""
HUNG_SECONDS = 1.0
"""A stream that has not asked for a block for this long (or three times its latency) hangs."""
GOES_ON = "Playback resumes when it is back, or on another device."
TRIED = "Retrying until it opens; your position is kept."


@dataclass(slots=True)
class _Running:
    """What there is once the device's rate is known."""

    opened: Opened
    cells: Cells
    renderer: RendererProcess
    book: LaneBook
    orders: Orders


class LiveDeck:
    """A device, or the silent clock."""

    def __init__(
        self,
        choice: OutputChoice = ANY_OUTPUT,
        *,
        silent: bool = False,
        cache: Path | None = None,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        """Begins to open the output; where nothing can sound, the silent clock. Does not wait for it: `ready`
        does. Raises WriteError where the lanes have no place."""
        self._choice, self._most_bytes = choice, most_bytes
        self._running: _Running | None = None
        self._alive = True
        self._why: str | None = None
        self._beat = (-1, time.monotonic())
        self._breaks = 0
        with signals_held():
            start_tracker()
            self._context: Any = multiprocessing.get_context("spawn")
            self._scratch = Scratch(cache)
            atexit.register(self.close)
            self._shared = Shared(self._context)
            self._stream = ChildProcess(stream.run, self._context)
            self._begin(Leaving(), silent_if_none=True, silent=silent)

    def ready(self) -> None:
        """Waits until the stream runs (every other method does so too). Raises UsageError for a device name
        that does not fit."""
        self._run()

    def _run(self) -> _Running:
        if self._running is None:
            try:
                opened = self._first()
            except BaseException:
                self.close()
                raise
            rate = opened.sample_rate
            cells = self._shared.cells(rate)
            folder, log = str(self._scratch.folder), self._scratch.log
            renderer = RendererProcess(self._context, self._shared, folder, log, rate)
            book = LaneBook(cells, rate, renderer, self._scratch.free_bytes, self._most_bytes)
            self._running = _Running(opened, cells, renderer, book, Orders(book, cells, rate))
            self._beat = (-1, time.monotonic())
            renderer.start()
        return self._running

    # what it is

    @property
    def kind(self) -> Kind:
        return "device" if self._run().opened.silent is None else "silent"

    @property
    def sample_rate(self) -> int:
        return self._run().opened.sample_rate

    @property
    def latency_s(self) -> float:
        return self._run().opened.latency_s

    @property
    def device(self) -> str | None:
        return self._run().opened.device or None

    @property
    def silent_because(self) -> str | None:
        return self._run().opened.silent

    @property
    def lanes(self) -> LaneBook:
        return self._run().book

    # what it does

    def sound(
        self,
        program: DeckProgram,
        segment: int = 0,
        frame: int = 0,
        ramp_s: float = 0.0,
        ramp_from: float = 0.0,
        since: int | None = None,
    ) -> None:
        """Plays the program from a place on; see `interface.Deck`."""
        self._stream.send(self._run().orders.program(program, segment, frame, ramp_s, ramp_from, since))

    def pause(self) -> None:
        """5 ms out, and then silence."""
        self._run().orders.paused = True
        self._stream.send(Hold(True))

    def resume(self) -> None:
        """5 ms in."""
        self._run().orders.paused = False
        self._stream.send(Hold(False))

    def output(self, gain: float, listen: Listen = "stereo", ramp_s: float = 0.0) -> None:
        """The monitor's gain and what is listened to; see `interface.Deck`."""
        self._stream.send(self._run().orders.output(gain, listen, ramp_s))

    def now(self) -> Now:
        """Where it is; keeps it going."""
        self._hear()
        self._watch()
        self._run().book.tend()
        self._run().orders.tend(self._run().cells.read())
        now = self._run().orders.now(self._alive, self._why if not self._alive else None)
        return replace(now, dropouts=now.dropouts + self._breaks)

    def recent(self, seconds: float) -> NDArray[np.float32]:
        """The last frames that left (frames, 2)."""
        return self._run().cells.recent(round(seconds * self._run().opened.sample_rate))

    def devices(self) -> Sequence[DeviceView]:
        """What is there now. Raises UsageError with the reason where there is nothing."""
        try:
            device_views = list_devices(self._context, self._scratch.log)
        except NoSound as problem:
            raise UsageError(str(problem)) from None
        playing = self.device if self._alive else None
        return [replace(one, chosen=one.name == playing) for one in device_views]

    def choose(self, name: str | None) -> None:
        """Goes on with another device; see `interface.Deck`."""
        found = self.devices()
        device = found[named(found, name)].name
        self._end_stream(fade=self._alive)
        self._choice = replace(self._choice, device=device)
        self._lose(f"{device} is being opened.", choosing=True)

    def pass_time(self, seconds: float) -> None:
        """Time passes by itself here."""

    def close(self) -> None:
        """Ends all processes and removes the lanes."""
        with signals_held():
            atexit.unregister(self.close)
            # while it looks for a device it does not listen, and there is nothing to fade out
            self._end_stream(fade=self._running is not None and self._alive)
            if self._running is not None:
                self._running.renderer.close()
            self._scratch.close()

    # the process

    def _first(self) -> Opened:
        """The first stream, or the silent clock where the sound system hangs."""
        answer = self._answer()
        if isinstance(answer, Opened):
            return answer
        self._stream.end()
        if isinstance(answer, UsageError):
            raise answer
        self._begin(Leaving(), silent_if_none=True, silent=True)
        answer = self._answer()
        if not isinstance(answer, Opened):
            raise UsageError("The process that plays could not be started.", f"See {self._scratch.log}.")
        return replace(answer, silent=f"{HANGS} Restart the sound server, then: devices.")

    def _answer(self) -> object:
        """The stream's first message; None where it is dead or takes too long."""
        with contextlib.suppress(EOFError):
            return self._stream.receive(OPEN_SECONDS)
        return None

    def _end_stream(self, *, fade: bool) -> None:
        self._stream.end(Close() if fade else None, CLOSE_SECONDS)

    def _begin(
        self,
        leaving: Leaving,
        *,
        silent_if_none: bool,
        silent: bool = False,
    ) -> None:
        """Starts the process."""
        orders = None if self._running is None else self._running.orders
        opening = Opening(
            folder=str(self._scratch.folder),
            log=self._scratch.log,
            choice=self._choice,
            silent_if_none=silent_if_none,
            silent=silent,
            leaving=leaving,
            paused=orders is not None and orders.paused,
            order=None if orders is None else orders.again(),
        )
        self._stream.start(self._shared, opening)

    def _hear(self) -> None:
        """Takes in what the process says."""
        try:
            for message in self._stream.messages():
                if isinstance(message, Opened):
                    if message.silent is not None:
                        message = replace(message, silent=self._run().opened.silent or message.silent)
                    self._run().opened, self._alive, self._why = message, True, None
                    self._beat = (-1, time.monotonic())
                elif isinstance(message, Refused):
                    self._stream.started_at = time.monotonic()
                    if message.there:
                        self._why = f"{message.why} {TRIED}"
                    elif not self._why or self._why.endswith("being opened."):
                        self._why = message.why
                elif isinstance(message, Lost):
                    self._stream.end()
                    self._lose(f"{message.why} {GOES_ON}")
        except EOFError:
            self._stream.end()
            self._lose(f"The playback process ended. {GOES_ON}")

    def _watch(self) -> None:
        """Notices a stream that hangs, and a sound system that does not answer while it is opened."""
        now = time.monotonic()
        if not self._alive:
            if now - self._stream.started_at > OPEN_SECONDS:
                self._stream.end()
                self._lose(self._why or HANGS, choosing=True)
            return
        beat = self._run().cells.read().callbacks
        if beat != self._beat[0]:
            self._beat = (beat, now)
        elif now - self._beat[1] > max(HUNG_SECONDS, 3.0 * self._run().opened.latency_s):
            self._stream.end()
            self._lose(f"{self._run().opened.device or 'The silent clock'} stopped responding. {GOES_ON}")

    def _sounding(self) -> bool:
        """True where something sounded when the stream last said where it was."""
        state = self._run().cells.read()
        return state.playing and not state.waiting and self._run().orders.leaving.gain > 0.0

    def _lose(self, why: str, *, choosing: bool = False) -> None:
        """There is no stream: a new process looks for the same device (never for another, which might be
        louder), or for the one that is chosen."""
        if not choosing:
            self._choice = replace(self._choice, device=self._run().opened.device or None)
            self._breaks += self._sounding()
        self._alive, self._why = False, why
        silent = self.kind == "silent" and not choosing
        self._choice = replace(self._choice, sample_rate=self._run().opened.sample_rate)
        self._begin(
            self._run().orders.leaving,
            silent_if_none=silent,
            silent=silent,
        )


FILE_RATE = 44_100


def open_deck(
    choice: OutputChoice = ANY_OUTPUT,
    to_file: Path | None = None,
    *,
    force: bool = False,
    silent: bool = False,
) -> Deck:
    """The deck into a file where one is named; else the device, or the silent clock where nothing can sound
    (or it is asked for). Without a rate a device has its own, a file 44.1 kHz. Raises UsageError for a device
    that is not there, WriteError where the file or the lanes have no place."""
    if to_file is not None:
        return FileDeck(to_file, choice.sample_rate or FILE_RATE, force=force)
    return LiveDeck(choice, silent=silent)
