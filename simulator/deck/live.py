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

from simulator.common.errors import UsageError
from simulator.deck import stream
from simulator.deck.callback import Hold, Leaving, Order
from simulator.deck.interface import Deck, DeviceView, Kind, Now, OutputChoice
from simulator.deck.lanes import LaneBook, Scratch
from simulator.deck.orders import Orders
from simulator.deck.renderer import RendererProcess
from simulator.deck.shared_memory import Shared
from simulator.deck.stream import (
    Close,
    Lost,
    NoSound,
    Opened,
    Opening,
    Refused,
    named,
    outputs,
    quiet_process,
)
from simulator.engine.interrupts import signals_held
from simulator.engine.workers import ChildProcess, start_tracker
from simulator.storage.process_life import end_with_parent

CLOSE_SECONDS = 2.0
OPEN_SECONDS = 8.0
"""So long may the sound system take to answer."""
HUNG_SECONDS = 1.0
"""A stream that has not asked for a block for this long (or three times its latency) hangs."""
LIMIT_SECONDS = 6.0
HANGS = "The sound system is not responding."
GOES_ON = "Playback resumes when it is back, or on another device."
TRIED = "Retrying until it opens; your position is kept."


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


@dataclass(slots=True)
class _Running:
    """What there is once the device's rate is known."""

    opened: Opened
    renderer: RendererProcess
    orders: Orders


class LiveDeck(Deck):
    """A device, or the silent clock."""

    def __init__(self, choice: OutputChoice, *, silent: bool = False, cache: Path | None = None) -> None:
        """Begins to open the output; the silent clock where nothing can sound, or `silent` asks for it. Does
        not wait: `ready` does. Raises WriteError where the lanes have no place."""
        self._choice = choice
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
            self._begin(silent)

    def ready(self) -> None:
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
            book = LaneBook(cells, rate, renderer, self._scratch.free_bytes)
            self._running = _Running(opened, renderer, Orders(book, cells, rate))
            self._beat = (-1, time.monotonic())
            renderer.start()
        return self._running

    # what it is

    @property
    def kind(self) -> Kind:
        return "device" if self._run().opened.silent is None else "silent"

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
    def _orders(self) -> Orders:
        return self._run().orders

    def _send(self, order: Order | Leaving | Hold) -> None:
        self._stream.send(order)

    # what it does

    def now(self) -> Now:
        """Where it is; keeps it going."""
        orders = self._orders  # waits for the stream's first message, which is not for _hear
        self._hear()
        self._watch()
        now = orders.now(self._alive, self._why if not self._alive else None)
        return replace(now, dropouts=now.dropouts + self._breaks)

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
        self._begin(silent=True)
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

    def _begin(self, silent: bool) -> None:
        """Starts the process. Only a first device may be replaced by the silent clock."""
        orders = None if self._running is None else self._running.orders
        opening = Opening(
            folder=str(self._scratch.folder),
            log=self._scratch.log,
            choice=self._choice,
            silent_if_none=silent or orders is None,
            silent=silent,
            leaving=Leaving() if orders is None else orders.leaving,
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
        beat = self._orders.cells.read().callbacks
        if beat != self._beat[0]:
            self._beat = (beat, now)
        elif now - self._beat[1] > max(HUNG_SECONDS, 3.0 * self._run().opened.latency_s):
            self._stream.end()
            self._lose(f"{self._run().opened.device or 'The silent clock'} stopped responding. {GOES_ON}")

    def _lose(self, why: str, *, choosing: bool = False) -> None:
        """There is no stream: a new process looks for the same device (never for another, which might be
        louder), or for the one that is chosen."""
        orders = self._orders
        if not choosing:
            self._choice = replace(self._choice, device=self.device)
            state = orders.cells.read()
            self._breaks += state.playing and not state.waiting and orders.leaving.gain > 0.0
        self._alive, self._why = False, why
        self._choice = replace(self._choice, sample_rate=self.sample_rate)
        self._begin(silent=self.kind == "silent" and not choosing)
