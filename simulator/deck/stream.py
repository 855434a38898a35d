"""Sink of the callback: a device by PortAudio, or silence at the same pace.

PortAudio is imported when it is needed: without it the import raises OSError. Devices are found by name.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import UsageError
from simulator.deck.program import DeviceView

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

    def __init__(self, why: str, name: str) -> None:
        super().__init__(why)
        self.name = name


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
            (number, DeviceView(one["name"], one["max_output_channels"], round(one["default_samplerate"])))
            for number, one in enumerate(sd.query_devices())
            if one["max_output_channels"] > 0
        ]
    except sd.PortAudioError as problem:
        raise NoSound(_plain(problem)) from None
    if not found:
        raise NoSound(NO_DEVICE)
    return [
        (number, DeviceView(one.name, one.channels, one.sample_rate, number == default))
        for number, one in found
    ]


def named(devices: Sequence[DeviceView], name: str | None) -> int:
    """The index in `devices` of the one called so: by its whole name, else by a part that only one has
    (letter case does not count); None is the system's own. Raises UsageError."""
    if name is None:
        return next((index for index, one in enumerate(devices) if one.default), 0)
    names = [one.name for one in devices]
    lowered = [one.casefold() for one in names]
    for found in (
        [index for index, one in enumerate(names) if one == name],
        [index for index, one in enumerate(lowered) if one == name.casefold()],
    ):
        if found:
            return found[0]
    parts = [index for index, one in enumerate(lowered) if name.casefold() in one]
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

    def __init__(self, name: str | None, sample_rate: int | None, fill: Callable[[int], Fill]) -> None:
        """Finds and opens; `fill` is asked for with the rate. Raises NoSound, and UsageError for a name."""
        sd = library()
        found = outputs()
        number, device = found[named([one for _, one in found], name)]
        self.name = device.name
        if device.channels < 2:
            raise NoSound(f"{device.name} has one channel; two are needed. Choose another: devices.")
        self.sample_rate = sample_rate or device.sample_rate
        self.lost = threading.Event()
        self.problem: BaseException | None = None
        inner = fill(self.sample_rate)

        def callback(out: NDArray[np.float32], frames: int, times: Any, status: Any) -> None:  # noqa: ARG001
            try:
                inner(out, bool(status.output_underflow))
            except BaseException as problem:  # the device gets silence, whatever goes wrong
                self.problem = problem
                out[:] = 0.0

        try:
            self._stream = sd.OutputStream(
                samplerate=self.sample_rate,
                blocksize=BLOCK_FRAMES,
                device=number,
                channels=2,
                dtype="float32",
                latency=LATENCY_SECONDS,
                callback=callback,
                finished_callback=self.lost.set,
            )
            self._stream.start()
        except (sd.PortAudioError, ValueError) as problem:
            raise NotOpened(_refusal(device, self.sample_rate, problem), device.name) from None
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


def _refusal(device: DeviceView, sample_rate: int, problem: BaseException) -> str:
    """Why a device that is there was not opened, and what then helps."""
    rate = f"{sample_rate / 1000:g} kHz"
    if len(problem.args) > 1 and problem.args[1] == INVALID_RATE:
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
