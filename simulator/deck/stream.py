"""Output stream: a device by PortAudio, or a silent clock of the same pace, in a process of its own.

The process does nothing else, so that no work of the session can reach the sound. It opens the device, runs
the callback on mapped lanes, takes orders from a pipe, and ends when the stream is lost or its parent gone.
PortAudio is imported when it is needed: without it the import raises OSError. Devices are found by name.
"""

from __future__ import annotations

import contextlib
import gc
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import UsageError
from simulator.deck.callback import Callback, Hold, Leaving, Order
from simulator.deck.interface import DeviceView, OutputChoice
from simulator.deck.shared_memory import MappedLanes, Shared
from simulator.engine.interrupts import ignore_terminal_signals
from simulator.storage.process_life import end_with_parent
from simulator.storage.small_files import BINARY

BLOCK_FRAMES = 512
LATENCY_SECONDS = 0.08
"""Asked of the device. Less of it makes switches sooner, and dropouts likelier on a busy machine."""
SILENT_RATE = 44_100
INVALID_RATE = -9997
"""PortAudio's paInvalidSampleRate."""
Fill = Callable[[NDArray[np.float32], bool], None]
NO_LIBRARY = "PortAudio, the library that sound goes through, is not installed (Debian: libportaudio2)."
NO_DEVICE = "No output device found. Connect one, or start the sound server, then: devices."


class NoSound(Exception):
    """Nothing can sound, and why, in a sentence."""


class NotOpened(NoSound):
    """The device of this name is there and does not let itself be opened."""

    def __init__(self, why: str, name: str, own_rate: int | None = None) -> None:
        """`own_rate` where it is only the rate that does not fit."""
        super().__init__(why)
        self.name, self.own_rate = name, own_rate


def library() -> Any:
    """The sounddevice module. Raises NoSound."""
    try:
        import sounddevice
    except OSError:
        raise NoSound(NO_LIBRARY) from None
    return sounddevice


def look_again() -> None:
    """Has PortAudio look for devices anew; every stream must be closed. Raises NoSound."""
    sd = library()
    try:
        sd._terminate()
        sd._initialize()
    except sd.PortAudioError as problem:
        raise NoSound(_plain(problem)) from None


def outputs() -> list[tuple[int, DeviceView]]:
    """Output devices with PortAudio's numbers. Raises NoSound where there are none."""
    sd = library()
    try:
        default = sd.default.device[1]
        found = [
            (
                number,
                DeviceView(device["name"], channels, round(device["default_samplerate"]), number == default),
            )
            for number, device in enumerate(sd.query_devices())
            if (channels := device["max_output_channels"]) > 0
        ]
    except sd.PortAudioError as problem:
        raise NoSound(_plain(problem)) from None
    if not found:
        raise NoSound(NO_DEVICE)
    return found


def named(devices: Sequence[DeviceView], name: str | None) -> int:
    """The index in `devices` of the one called so: by its whole name, else by a part that only one has
    (letter case does not count); None is the system's own. Raises UsageError."""
    if name is None:
        return next((index for index, one in enumerate(devices) if one.default), 0)
    names = [device.name for device in devices]
    if name in names:
        return names.index(name)
    wanted, lowered = name.casefold(), [one.casefold() for one in names]
    if wanted in lowered:
        return lowered.index(wanted)
    parts = [index for index, one in enumerate(lowered) if wanted in one]
    if len(parts) == 1:
        return parts[0]
    there = ", ".join(dict.fromkeys(names))
    if parts:
        fitting = ", ".join(names[index] for index in parts)
        raise UsageError(f"Several devices have {name!r} in their names: {fitting}.", "Type one full name.")
    raise UsageError(
        f"No output device {name!r}.",
        f"Available: {there}. A device in use by another program is not listed." if there else NO_DEVICE,
    )


class DeviceStream:
    """A PortAudio stream that calls `fill` for every block; `lost` is set when it ends by itself."""

    def __init__(self, choice: OutputChoice, fill: Callable[[int], Fill]) -> None:
        """Finds and opens; `fill` is asked for with the rate. Raises NoSound, and UsageError for a name,
        channels or an exclusive use that the device does not have."""
        sd = library()
        found = outputs()
        number, device = found[named([one for _, one in found], choice.device)]
        self.name = device.name
        if device.channels < 2:
            raise NoSound(f"{device.name} has one channel; two are needed. Choose another: devices.")
        pair = choice.pair or (0, 1)
        if device.channels <= max(pair):
            raise UsageError(
                f"{device.name} has {device.channels} channels, not {max(pair) + 1}.",
                "Choose two of them with --channels, or another device with --device.",
            )
        settings = _exclusive(sd, number, device.name) if choice.exclusive else None
        self.sample_rate = choice.sample_rate or device.sample_rate
        self.lost = threading.Event()
        self.problem: BaseException | None = None
        inner = fill(self.sample_rate)
        stereo = np.zeros((BLOCK_FRAMES, 2), np.float32)

        def into_pair(out: NDArray[np.float32], underflow: bool) -> None:
            inner(stereo, underflow)
            out[:] = 0.0
            out[:, pair] = stereo

        given = inner if pair == (0, 1) else into_pair

        def callback(out: NDArray[np.float32], frames: int, times: Any, status: Any) -> None:  # noqa: ARG001
            try:
                given(out, bool(status.output_underflow))
            except BaseException as problem:  # the device gets silence, whatever goes wrong
                self.problem = problem
                out[:] = 0.0

        try:
            self._stream = sd.OutputStream(
                samplerate=self.sample_rate,
                blocksize=BLOCK_FRAMES,
                device=number,
                channels=max(*pair, 1) + 1,
                dtype="float32",
                latency=LATENCY_SECONDS,
                callback=callback,
                finished_callback=self.lost.set,
                extra_settings=settings,
            )
            self._stream.start()
        except (sd.PortAudioError, ValueError) as problem:
            rate = device.sample_rate if _is_of_rate(problem) else None
            raise NotOpened(_refusal(device, self.sample_rate, problem), device.name, rate) from None
        self.latency_s = float(self._stream.latency)

    def close(self) -> None:
        """Ends it, once what was given to the device has sounded."""
        self._stream.stop()
        self._stream.close()


class ClockStream:
    """Calls `fill` at the pace of the clock, and nothing sounds."""

    name = ""
    latency_s = 0.0

    def __init__(self, sample_rate: int | None, fill: Callable[[int], Fill]) -> None:
        self.sample_rate = sample_rate or SILENT_RATE
        self.lost = threading.Event()
        self.problem: BaseException | None = None
        self._fill = fill(self.sample_rate)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        out = np.zeros((BLOCK_FRAMES, 2), np.float32)
        due = time.monotonic()
        while not self._stop.wait(max(0.0, due - time.monotonic())):
            try:
                self._fill(out, False)
            except BaseException as problem:
                self.problem = problem
            due = max(due, time.monotonic() - 1.0) + BLOCK_FRAMES / self.sample_rate

    def close(self) -> None:
        self._stop.set()
        self._thread.join(1.0)


def _exclusive(sd: Any, number: int, name: str) -> Any:
    """PortAudio's settings for a device that no other program may use. Raises UsageError."""
    system = sd.query_hostapis(sd.query_devices(number)["hostapi"])["name"]
    if system == "Windows WASAPI":
        return sd.WasapiSettings(exclusive=True)
    if system == "Core Audio":  # the device's own rate is set, and nothing may convert
        return sd.CoreAudioSettings(change_device_parameters=True, fail_if_conversion_required=True)
    hardware = "Devices with (hw: in their names are exclusive by themselves" if system == "ALSA" else ""
    raise UsageError(
        f"{name} cannot be used exclusively: {system} has no such mode.",
        f"{hardware or 'Choose a device of another kind'}; leave --exclusive out.",
    )


def _is_of_rate(problem: BaseException) -> bool:
    """True where PortAudio refuses nothing but the rate."""
    return len(problem.args) > 1 and problem.args[1] == INVALID_RATE


def _refusal(device: DeviceView, sample_rate: int, problem: BaseException) -> str:
    """Why a device that is there was not opened, and what then helps."""
    rate = f"{sample_rate / 1000:g} kHz"
    if _is_of_rate(problem):
        own = f"{device.sample_rate / 1000:g} kHz"
        return (
            f"{device.name} does not take {rate}, at which this session runs. Choose another with devices "
            f"NAME, or start the session with --device: it then runs at the device's own {own}."
        )
    return f"{device.name} cannot be opened at {rate}: {_plain(problem)} Another program may hold it."


def _plain(problem: BaseException) -> str:
    """The system's own words where PortAudio passes them on, else its own, with a full stop."""
    words = str(problem.args[0]) if problem.args else type(problem).__name__
    if len(problem.args) > 2:
        words = str(problem.args[2][2]) or words
    words = words.removeprefix("Error opening OutputStream: ").removeprefix("Error starting stream: ")
    return words.rstrip(". ") + "."


TURN_SECONDS = 0.05
FIRST_SECONDS = 0.3
"""So much of a lane is read before an order for it is passed on."""
LOOK_AGAIN_SECONDS = (0.5, 1.0, 2.0)


@dataclass(frozen=True, slots=True)
class Opening:
    """What the process begins with. `silent_if_none`: where no device can be opened, run by the clock; else
    go on looking for it. `silent` does not even look."""

    folder: str
    log: str
    choice: OutputChoice
    silent_if_none: bool
    silent: bool
    leaving: Leaving
    paused: bool
    order: Order | None


@dataclass(frozen=True, slots=True)
class Opened:
    """The stream runs; `silent` says why nothing sounds, where it is only the clock."""

    device: str
    sample_rate: int
    latency_s: float
    silent: str | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """Not yet: why the device could not be opened. The process goes on looking. `there`: it is there, and
    does not let itself be opened."""

    why: str
    there: bool


@dataclass(frozen=True, slots=True)
class Lost:
    """The stream has ended by itself; the process ends too."""

    why: str


@dataclass(frozen=True, slots=True)
class Close:
    """Fade out and end."""


def quiet_process(log: str) -> None:
    """Ctrl-C and the terminal's end are the parent's to handle; what C libraries print goes to the log."""
    ignore_terminal_signals()
    target = os.open(log, os.O_CREAT | os.O_APPEND | os.O_WRONLY | BINARY, 0o600)
    for descriptor in (1, 2):
        os.dup2(target, descriptor)
    os.close(target)


def run(pipe: Connection, shared: Shared, opening: Opening) -> None:
    """The process's whole life."""
    if hasattr(os, "setsid"):
        # away from the terminal's signals; and Linux shares the processor out by session first (autogroup):
        # what works hard in the terminal's own does not hold up the sound
        os.setsid()
    quiet_process(opening.log)
    end_with_parent()
    with contextlib.suppress(EOFError, OSError):  # the parent is gone
        _Child(pipe, shared, opening).live()
    os._exit(0)  # a stream that hangs must not keep the process


def _rate_refused(ask: Opening, problem: NoSound) -> UsageError | None:
    """A rate that was asked for, and that the device does not have, is for the user to change."""
    if ask.choice.sample_rate is None or not isinstance(problem, NotOpened) or problem.own_rate is None:
        return None
    return UsageError(
        f"{problem.name} does not take {ask.choice.sample_rate} Hz.",
        f"Leave --rate out: it then plays at its own {problem.own_rate} Hz.",
    )


class _Child:
    def __init__(self, pipe: Connection, shared: Shared, opening: Opening) -> None:
        self._pipe, self._shared, self._opening = pipe, shared, opening
        self._callback: Any = None
        self._lanes: Any = None

    def live(self) -> None:
        stream = self._open()
        if stream is None:
            return
        gc.collect()
        gc.freeze()
        gc.disable()
        while True:
            if self._pipe.poll(TURN_SECONDS) and not self._take(self._pipe.recv(), stream):
                return
            if stream.lost.is_set():
                self._pipe.send(Lost(f"{stream.name} is gone: it was unplugged, or the sound server ended."))
                return
            if stream.problem is not None:
                raise stream.problem
            self._warm()

    def _open(self) -> DeviceStream | ClockStream | None:
        """The stream; None where the session was closed before there was one."""
        ask, tries = self._opening, 0
        while True:
            try:
                if ask.silent:
                    raise NoSound("Silent, as asked for.")
                found: DeviceStream | ClockStream = DeviceStream(ask.choice, self._prepare)
                self._pipe.send(Opened(found.name, found.sample_rate, found.latency_s))
                return found
            except (NoSound, UsageError) as problem:
                refused = problem if isinstance(problem, UsageError) else _rate_refused(ask, problem)
                if refused is not None and ask.silent_if_none:
                    self._pipe.send(refused)
                    return None
                if ask.silent_if_none:
                    found = ClockStream(ask.choice.sample_rate, self._prepare)
                    why = str(problem)
                    if isinstance(problem, NotOpened):
                        why += f" When it is free: devices {problem.name}"
                    self._pipe.send(Opened("", found.sample_rate, 0.0, why))
                    return found
                self._pipe.send(Refused(str(problem), isinstance(problem, NotOpened)))
            if not self._wait(LOOK_AGAIN_SECONDS[min(tries, len(LOOK_AGAIN_SECONDS) - 1)]):
                return None
            tries += 1
            with contextlib.suppress(NoSound):
                look_again()

    def _wait(self, seconds: float) -> bool:
        """Waits for the next try, and keeps what is asked meanwhile; False where the session is closed."""
        end = time.monotonic() + seconds
        ask = self._opening
        while self._pipe.poll(max(0.0, end - time.monotonic())):
            message = self._pipe.recv()
            if isinstance(message, Close):
                return False
            if isinstance(message, Order):
                ask = replace(ask, order=message)
            elif isinstance(message, Leaving):
                ask = replace(ask, leaving=message)
            elif isinstance(message, Hold):
                ask = replace(ask, paused=message.paused)
            self._opening = ask
        return True

    def _prepare(self, sample_rate: int) -> Fill:
        """The callback for a stream of this rate, with all that is asked of it already."""
        ask = self._opening
        cells = self._shared.cells(sample_rate)
        self._lanes = MappedLanes(Path(ask.folder), cells, sample_rate)
        self._callback = Callback(self._lanes, cells, sample_rate, ask.leaving)
        self._callback.paused = ask.paused
        if ask.order is not None:
            self._begin(ask.order)
        fill: Fill = self._callback.fill
        return fill

    def _take(self, message: object, stream: DeviceStream | ClockStream) -> bool:
        """Does what is asked; False where it was the last thing."""
        if isinstance(message, Close):
            self._callback.paused = True
            time.sleep(0.02 + 2.0 * stream.latency_s)  # what comes last is thrown away by some devices
            stream.close()
            return False
        if isinstance(message, Order):
            self._begin(message)
        else:
            self._callback.take(message)
        return True

    def _begin(self, order: Order) -> None:
        """Passes an order on, once its first samples are in memory."""
        if order.parts:
            lane = order.parts[order.part].lane
            self._lanes.keep({lane} | self._callback.sounding)
            self._lanes.warm(lane, order.frame, FIRST_SECONDS)
        self._callback.take(order)

    def _warm(self) -> None:
        """Keeps the lanes around the place mapped and read."""
        at = self._callback.place()
        if at is None:
            return
        order, part, frame = at
        count = len(order.parts)
        near = [part, (part + 1) % count, (part - 1) % count]
        # an order that was just passed on has not been taken yet: what fades out for it is still needed
        self._lanes.keep({order.parts[index].lane for index in near} | self._callback.sounding)
        self._lanes.warm(order.parts[part].lane, frame)
        following = order.parts[near[1]]
        self._lanes.warm_beginning(following.lane, following.first)
