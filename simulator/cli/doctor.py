"""`fairhearing doctor`: whether what the program needs works here, part by part, each ok or with a cure.

Every part is really used: each encoder encodes a second that is decoded again, the cache folder is written
to, the tone goes the way of `listen`. Devices are asked for in a process of its own, which may hang for a few
seconds. The round trip is from the order to play to the sound server's own record of its output (the monitor
source, by `parec`) and holds the latency of that record too. Nothing heavy is imported before it is tried.
"""

from __future__ import annotations

import contextlib
import math
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

import click

from simulator.cli.options import warn
from simulator.common.errors import ExitCode, SimulatorError, UsageError
from simulator.common.text import level

if TYPE_CHECKING:
    from simulator.deck.interface import DeviceView

LIBRARIES = (
    "numpy", "soundfile", "soxr", "threadpoolctl", "click", "rich", "msgspec", "platformdirs", "defusedxml",
    "sounddevice", "prompt_toolkit", "matplotlib", "jinja2", "tinytag", "watchdog",
)  # fmt: skip
"""Those that the package needs (a test compares pyproject.toml)."""
NAMED_LIBRARIES = ("numpy", "soundfile", "sounddevice")
TONE_DBFS, TONE_HZ, TONE_SECONDS = -40.0, 1000.0, 1.0
CAUTION = "Turn your monitors down: a 1 kHz tone at −40 dBFS plays for 1 s."
LIST_SECONDS, LANE_SECONDS, LATE_SECONDS = 4.0, 2.0, 3.0
FULL_BYTES, LOW_BYTES = 200 * 10**6, 5 * 10**9
"""A session may keep 4 GB of prepared tracks."""
SERVERS = ("pulse", "default", "pipewire")
"""PortAudio's names of a sound server, which takes any rate."""
STAGE_COLUMNS, STAGE_ROWS = 80, 20
CODEC_HZ, CODEC_KBPS = 48_000, 128.0
Health = Literal["ok", "look", "fix"]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """One part. `look`: it works with a limit; `fix`: commands fail. Both come with a cure."""

    part: str
    health: Health
    finding: str
    cure: str = ""


def diagnoses(tone: bool) -> Iterator[Diagnosis]:
    """All parts, in order; with `tone` a quiet one is played and its round trip measured."""
    yield _libraries()
    settings, name = _settings()
    with ThreadPoolExecutor(1) as beside:  # the devices are waited for, and may be for long
        coded = beside.submit(lambda: list(_codecs()))
        device = _device(name)
        yield device if isinstance(device, Diagnosis) else _output(device)
        codecs = coded.result()
    if tone and not isinstance(device, Diagnosis):
        yield _tone(name)
    yield from codecs
    yield _terminal()
    yield _cache()
    yield _disk()
    yield settings


def _libraries() -> Diagnosis:
    missing, versions = [], [f"Python {platform.python_version()}"]
    for name in LIBRARIES:
        try:
            version = metadata.version(name)
        except metadata.PackageNotFoundError:
            missing.append(name)
            continue
        versions += [f"{name} {version}"] if name in NAMED_LIBRARIES else []
    if missing:
        cure = f"{sys.executable} -m pip install {' '.join(missing)}"
        return Diagnosis("libraries", "fix", f"Not installed: {', '.join(missing)}.", cure)
    try:
        import soundfile
    except OSError as problem:
        cure = "Reinstall soundfile with pip."
        return Diagnosis("libraries", "fix", f"libsndfile cannot be loaded: {problem}.", cure)
    versions.append(f"libsndfile {soundfile.__libsndfile_version__}")
    return Diagnosis("libraries", "ok", ", ".join(versions))


def _settings() -> tuple[Diagnosis, str | None]:
    """The settings file, and the output device that it names for `listen`."""
    from simulator.cli.app import COMMANDS
    from simulator.cli.settings import settings_for, settings_path

    path = settings_path()
    try:
        for name in COMMANDS:
            settings_for(name)
        device = settings_for("listen").get("device")
    except UsageError as problem:
        return Diagnosis("settings", "fix", problem.message, problem.hint or "Correct the file."), None
    named = None if device is None else str(device.value)
    return Diagnosis("settings", "ok", f"{path}{'' if path.exists() else ' (not there, not needed)'}"), named


def _device(name: str | None) -> DeviceView | Diagnosis:
    """The output that `listen` would play through, or why there is none."""
    import multiprocessing

    from simulator.deck.live import list_devices
    from simulator.deck.stream import NoSound, named

    try:
        device_views = list_devices(multiprocessing.get_context("spawn"), os.devnull, LIST_SECONDS)
        return device_views[named(device_views, name)]
    except NoSound as problem:
        why, _, cure = str(problem).partition(". ")
        cure = cure.replace(", then: devices.", ".") or "Connect a device, or restart the sound server."
        return Diagnosis("output", "look", f"{why.rstrip('.')}. Sessions run without sound.", cure)
    except UsageError as problem:
        return Diagnosis("output", "look", problem.message, problem.hint)


def _output(device: DeviceView) -> Diagnosis:
    """The device's rate and channels, and what converts behind it."""
    output = f"{device.name} at {device.sample_rate / 1000:g} kHz, {device.channels} channels"
    if device.channels < 2:
        return Diagnosis(
            "output", "look", f"{output}. Two are needed.", "Choose another: listen --device NAME"
        )
    server = _server_hz()
    if server is not None and server != device.sample_rate and device.name in SERVERS:
        finding = f"{output}. The sound server runs at {server / 1000:g} kHz and resamples."
        return Diagnosis("output", "look", finding, f"Play at its rate: listen --rate {server}")
    return Diagnosis("output", "ok", output)


def _server_hz() -> int | None:
    """The rate of the default sink of PulseAudio or PipeWire, in Hz; None where there is none."""
    sink = re.search(r"^Default Sink: (.+)$", _pactl("info"), re.MULTILINE)
    if sink is None:
        return None
    for line in _pactl("list", "short", "sinks").splitlines():
        rate = re.search(r"(\d+)Hz", line)
        if sink[1] in line.split("\t") and rate is not None:
            return int(rate[1])
    return None


def _pactl(*words: str) -> str:
    try:
        done = subprocess.run(
            ["pactl", *words], capture_output=True, text=True, timeout=1.0, env={**os.environ, "LC_ALL": "C"}
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout


def _tone(device: str | None) -> Diagnosis:
    """Plays the tone through the deck and listens for it at the sound server's monitor source."""
    import numpy as np
    import soundfile

    from simulator.common.units import db_to_gain
    from simulator.deck.interface import DeckProgram, DeckSegment, LaneKey, OutputChoice
    from simulator.deck.live import LiveDeck

    with tempfile.TemporaryDirectory() as folder, contextlib.closing(LiveDeck(OutputChoice(device))) as deck:
        rate = deck.sample_rate  # waits until it is open
        if deck.kind != "device":
            return Diagnosis("tone", "look", str(deck.silent_because), "See the line above: output.")
        seconds = np.arange(round(TONE_SECONDS * rate)) / rate
        edge = np.clip(np.minimum(seconds, TONE_SECONDS - seconds) / 0.01, 0.0, 1.0)
        tone = db_to_gain(TONE_DBFS) * edge * np.sin(2.0 * np.pi * TONE_HZ * seconds)
        path = os.path.join(folder, "tone.wav")
        soundfile.write(path, np.stack([tone, tone], axis=1), rate, subtype="PCM_24")
        lane, end = LaneKey(path), time.monotonic() + LANE_SECONDS
        deck.lanes.want(lane, urgent=True)
        while not deck.lanes.look(lane).finished and time.monotonic() < end:
            deck.now()
            time.sleep(0.01)
        deck.output(1.0)
        with _Monitor(rate) as monitor:
            monitor.wait()
            ordered = time.monotonic()
            deck.sound(DeckProgram((DeckSegment(lane, 0, None),)))
            while not deck.now().ended and time.monotonic() < ordered + TONE_SECONDS + LATE_SECONDS:
                time.sleep(0.02)
            if not deck.now().ended:
                finding = "The device did not play it to its end."
                return Diagnosis("tone", "look", finding, "Restart the sound server.")
            time.sleep(deck.latency_s + 0.1)
        played = f"1 kHz at −40 dBFS played for 1 s, device latency {deck.latency_s * 1000:.0f} ms"
        return monitor.heard(played, ordered)


@dataclass
class _Monitor:
    """A recording of what the sound server puts out, with the time of each piece's arrival."""

    rate: int
    _pieces: list[tuple[float, bytes]] = field(default_factory=list)
    _process: Any = None

    def __enter__(self) -> _Monitor:
        # a sound server that hangs must not hold this up: the reading has a thread of its own
        command = ["parec", "--device=@DEFAULT_MONITOR@", "--format=float32le", f"--rate={self.rate}"]
        with contextlib.suppress(OSError):
            self._process = subprocess.Popen(
                [*command, "--channels=2", "--raw", "--latency-msec=10"],
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
            self._thread = threading.Thread(target=self._read, daemon=True)
            self._thread.start()
        return self

    def _read(self) -> None:
        while piece := os.read(self._process.stdout.fileno(), 1 << 16):
            self._pieces.append((time.monotonic(), piece))

    def wait(self) -> None:
        """Until it runs, or clearly does not."""
        end = time.monotonic() + 0.5
        while self._process is not None and not self._pieces and time.monotonic() < end:
            time.sleep(0.01)

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._thread.join(1.0)
            self._process.stdout.close()

    def heard(self, played: str, ordered: float) -> Diagnosis:
        """The tone's arrival after `ordered` (monotonic seconds), and its level."""
        import numpy as np

        data = b"".join(piece for _, piece in self._pieces)
        left = np.frombuffer(data[: len(data) // 8 * 8], "<f4").reshape(-1, 2)[:, 0].astype(np.float64)
        full = 10.0 ** (TONE_DBFS / 20.0)
        loud = np.flatnonzero(np.abs(left) > 0.25 * full)
        if not self._pieces:
            return Diagnosis("tone", "ok", f"{played}; round trip not measured (no monitor source)")
        if not loud.shape[0]:
            return Diagnosis("tone", "ok", f"{played}; it does not pass the sound server's monitor source")
        first = int(loud[0])
        passed, arrived = 0.0, self._pieces[-1][0]
        for at, piece in self._pieces:
            passed += len(piece) / 8
            if passed > first:
                arrived = at - (passed - first) / self.rate
                break
        middle = left[first + self.rate // 4 :][: self.rate // 2]
        turns = np.exp(-2j * np.pi * TONE_HZ * np.arange(middle.shape[0]) / self.rate)
        amplitude = 2.0 * abs(complex(np.mean(middle * turns))) if middle.shape[0] else 0.0
        tone_db = 20.0 * math.log10(max(amplitude, 1e-6))
        trip_ms = (arrived - ordered) * 1000.0
        if trip_ms < 0.0:
            return Diagnosis("tone", "ok", f"{played}; round trip not measured (another program plays)")
        finding = f"{played}, round trip {trip_ms:.0f} ms, arrives at {level(tone_db)} dBFS"
        if abs(tone_db - TONE_DBFS) > 0.5:
            cure = "Set the system's volume to 100 % and turn off its effects."
            return Diagnosis("tone", "look", finding, cure)
        return Diagnosis("tone", "ok", finding)


def _codecs() -> Iterator[Diagnosis]:
    """Each encoder makes a file of one second, and it is read back."""
    import numpy as np

    from simulator.codecs.codec import codec_rate, decode, encode
    from simulator.normalizer.codec_records import CODECS, CodecName
    from simulator.normalizer.profile import Delivery

    with tempfile.TemporaryDirectory() as folder:
        for name in get_args(CodecName):
            record = CODECS[name]
            rate = codec_rate(record.name, CODEC_HZ)
            noise = np.random.default_rng(1).standard_normal((rate, 2)).astype(np.float32) * np.float32(0.05)
            path = Path(folder) / f"second.{record.extension}"
            begun = time.monotonic()
            try:
                frames = encode([noise], rate, 2, Delivery(name, CODEC_KBPS), path)
                whole = sum(block.shape[0] for block in decode(path, frames))
            except SimulatorError as problem:
                yield Diagnosis(record.name, "look", problem.message, problem.hint)
                continue
            spent_ms = (time.monotonic() - begun) * 1000.0
            finding = f"{whole / rate:.0f} s encoded and decoded in {spent_ms:.0f} ms"
            yield Diagnosis(record.name, "ok", finding)


def _terminal() -> Diagnosis:
    """Whether the whole screen of `listen` fits, and its colours and signs."""
    from rich.console import Console

    if not sys.stdout.isatty():
        return Diagnosis("terminal", "ok", "not a terminal here: plain text")
    size, console = shutil.get_terminal_size(), Console()
    screen = f"{size.columns} × {size.lines}, {console.color_system or 'no'} colour, {console.encoding}"
    if not console.encoding.lower().startswith("utf"):
        return Diagnosis("terminal", "look", screen, "Use a UTF-8 locale, for example: export LANG=C.UTF-8")
    if size.columns < STAGE_COLUMNS or size.lines < STAGE_ROWS:
        cure = f"Enlarge the window to {STAGE_COLUMNS} × {STAGE_ROWS}."
        return Diagnosis("terminal", "look", f"{screen}: too small for the stage of `listen`", cure)
    return Diagnosis("terminal", "ok", screen)


def _cache() -> Diagnosis:
    from simulator.storage.folders import cache_folder
    from simulator.storage.measurement_cache import MEGABYTE, entries

    folder = cache_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"written")
    except OSError as problem:
        finding = f"{folder} cannot be written: {problem.strerror}. Files are measured again each time."
        cure = "Free some disk space or correct the folder's permissions; elsewhere: XDG_CACHE_HOME=FOLDER"
        return Diagnosis("cache", "look", finding, cure)
    size = sum(entry.size for entry in entries(folder)) / MEGABYTE
    return Diagnosis("cache", "ok", f"{size:.1f} MB in {folder}")


def _disk() -> Diagnosis:
    """Room where the cache and a session's prepared tracks lie."""
    from simulator.storage.folders import cache_folder

    folder = cache_folder()
    existing = next(path for path in (folder, *folder.parents) if path.is_dir())
    free = shutil.disk_usage(existing).free
    room = f"{free / 10**9:.1f} GB free at {existing}"
    if free < FULL_BYTES:
        return Diagnosis("disk", "fix", room, "Free some space: fairhearing cache --clear all")
    if free < LOW_BYTES:
        finding = f"{room}; a long session may need 4 GB"
        return Diagnosis("disk", "look", finding, "Free some space: fairhearing cache --limit 500")
    return Diagnosis("disk", "ok", room)


@click.command("doctor")
@click.option("--tone", is_flag=True, help="Play 1 kHz at −40 dBFS for 1 s and measure the round trip.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(tone: bool, as_json: bool) -> int:
    """Checks libraries, output device, encoders, terminal, cache, disk space and settings.

    Each line is ok, or names a cure: "look" works with a limit, "fix" keeps commands from working.
    """
    from simulator.cli.output import Readout, print_json

    if tone:
        warn(CAUTION)
    parts = list(diagnoses(tone))
    broken = [part.part for part in parts if part.health == "fix"]
    limited = [part.part for part in parts if part.health == "look"]
    if as_json:
        rows = [{**asdict(part), "cure": part.cure or None} for part in parts]
        print_json({"schema": 1, "usable": not broken, "parts": rows})
    else:
        out = Readout()
        if broken:
            out.answer(f"Not ready. To fix: {', '.join(broken)}.")
        elif limited:
            out.answer(f"Ready, with limits: {', '.join(limited)}.")
        else:
            out.answer("Everything is ready.")
        out.line()
        for part in parts:
            style = None if part.health == "ok" else part.health
            out.paragraph(part.finding, bullet=f"{part.health:<5}{part.part:<10}", style=style)
            if part.cure:
                out.line(f"{'':15}{part.cure}")
    return ExitCode.SOME_FAILED if broken else ExitCode.DONE
