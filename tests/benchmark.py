"""How fast, against the C library, on this machine, in this one run? Prints one table of ratios.

    python tests/benchmark.py [--quick] [--report]

Time is never tested elsewhere. A line fails the run only beyond twice its goal, since the machine may be
busy. The signal is pink noise in swells, soft-clipped like a dense master: 4 minutes, 44.1 kHz, 24 bit.
Every time is the best of several, the parties taking turns.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import soundfile

from simulator.dsp.ceiling import LimiterSettings
from simulator.engine.measure import Job, measure_all, measure_alone, measure_file
from simulator.engine.workers import one_blas_thread
from simulator.normalizer.chain import ChainSettings
from simulator.storage.measurement_cache import Store

RATE = 44_100
sys.path.insert(0, str(Path(__file__).parent))
# What the workers must not load (they import this file, too) is imported where it is used.
MEGABYTE = 1024.0


@dataclass
class Line:
    """One figure, its goal, and which side of it is good."""

    what: str
    value: float
    unit: str
    goal: float
    at_most: bool

    @property
    def far_off(self) -> bool:
        return self.value > 2.0 * self.goal if self.at_most else self.value < self.goal / 2.0

    def __str__(self) -> str:
        met = self.value <= self.goal if self.at_most else self.value >= self.goal
        word = "at most" if self.at_most else "at least"
        missed = "" if met else "  (missed)"
        return f"{self.what:<52}{self.value:>8.2f} {self.unit:<3} {word} {self.goal:g}{missed}"


def write_master(path: Path, seconds: float, seed: int = 1) -> None:
    """A stand-in for a dense master, made a minute at a time."""
    from support import signals

    minute = np.stack([signals.pink_noise(60 * RATE, 2 * seed + side, RATE) for side in (0, 1)], axis=1)
    swell = 0.35 + 0.25 * np.sin(2.0 * np.pi * np.arange(minute.shape[0]) / (RATE * 7.5))
    minute = np.tanh(minute / np.abs(minute).max() * 6.0 * swell[:, np.newaxis]) * 0.98
    with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_24") as file:
        for _ in range(max(1, round(seconds / 60.0))):
            file.write(minute)


def best(rounds: int, *parties: Callable[[], object]) -> list[float]:
    """The best time of each party, in seconds; they take turns."""
    times = [float("inf")] * len(parties)
    for _ in range(rounds):
        for index, party in enumerate(parties):
            begin = time.perf_counter()
            party()
            times[index] = min(times[index], time.perf_counter() - begin)
    return times


def decode(path: Path) -> None:
    with soundfile.SoundFile(path) as file:
        while file.read(32_768, dtype="float32").shape[0]:
            pass


def libebur128_all(library: Any, path: Path) -> None:
    """I, range, momentary, short-term, sample and true peak by the C library, streaming."""
    with soundfile.SoundFile(path) as file:
        library.measure_blocks(file.blocks(65_536, dtype="float32"), file.channels, file.samplerate)


def command(*words: str, compiled: str | None = None) -> None:
    """Runs it; with `compiled`, an empty folder, Python compiles every module again."""
    run = [sys.executable, "-m", "simulator", *words]
    more = {} if compiled is None else {"PYTHONPYCACHEPREFIX": compiled}
    subprocess.run(
        run,
        check=True,
        stdout=subprocess.DEVNULL,
        cwd=Path(__file__).parent.parent,
        env={**os.environ, **more},
    )


def resident(path: Path) -> float:
    """Peak resident memory in MB of a process that measures one file."""
    code = (
        "import sys; from simulator.engine.workers import one_blas_thread; one_blas_thread();"
        "from simulator.engine.measure import Job, do; do(Job(sys.argv[1]));"
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
    )
    run = [sys.executable, "-c", code, str(path)]
    out = subprocess.run(run, check=True, capture_output=True, text=True, cwd=Path(__file__).parent.parent)
    return float(out.stdout) / MEGABYTE


def one_by_one(paths: list[Path]) -> None:
    """The same work in one process, one channel after the other."""
    for path in paths:
        measure_file(Job(str(path)))


def many(paths: list[Path], workers: int) -> None:
    measure_all([Job(str(path)) for path in paths], Store(None, print), workers)


def page_lines(folder: Path) -> list[Line]:
    """The demo's page from a warm cache, and the size of one with two versions and two references."""
    page = folder / "page.html"
    words = ("page", "demo", "-o", str(page), "--force")
    command(*words, "--tracks", "1-4")
    megabytes = page.stat().st_size / 1e6
    return [
        Line("page of two versions and two references", megabytes, "MB", 10.0, True),
        Line("page of the demo, from a warm cache", best(2, lambda: command(*words))[0], "s", 6.0, True),
    ]


def start_lines(folder: Path, rounds: int) -> list[Line]:
    """Commands on two files of a minute that the cache knows: what they take is their start."""
    write_master(folder / "loud.wav", 60.0)
    samples, rate = soundfile.read(folder / "loud.wav")
    soundfile.write(folder / "open.wav", 0.5 * samples, rate, subtype="PCM_24")
    for name in ("loud.wav", "open.wav"):
        os.utime(folder / name, (1e9, 1e9))
    loud, open_ = (str(folder / name) for name in ("loud.wav", "open.wav"))
    goals = {
        ("--help",): 0.2, ("guide",): 0.4, ("profiles", "list"): 0.4, ("schema",): 0.4, ("settings",): 0.4,
        ("completion", "bash"): 0.4, ("cache",): 0.5, ("export", "--help"): 0.4, ("votes", "--help"): 0.4,
        ("render", "--help"): 0.4, ("page", "--help"): 0.4, ("listen", "--help"): 0.4,
        ("demo", "--help"): 0.4, ("ladder", "--help"): 0.4, ("doctor", "--help"): 0.4, ("measure", loud): 0.8,
        ("predict", loud, open_): 1.0, ("compare", loud, open_): 1.3, ("check", open_, "--target", "-8"): 1.5,
    }  # fmt: skip
    found = []
    for words, goal in goals.items():
        command(*words)  # what the cache is to know
        with tempfile.TemporaryDirectory() as compiled:
            (cold,) = best(1, lambda words=words, at=compiled: command(*words, compiled=at))
        (warm,) = best(1 + rounds, lambda words=words: command(*words))
        name = " ".join(word for word in words if word not in (loud, open_))
        found += [
            Line(f"start of {name}, warm", warm, "s", goal, True),
            Line(f"start of {name}, cold", cold, "s", 4.0 * goal + 2.0, True),
        ]
    return found


def lines(folder: Path, quick: bool) -> list[Line]:
    """All figures."""
    import benchmark_measuring
    import benchmark_versions
    from support import ebur128

    found = []
    four, hour = folder / "four.wav", folder / "hour.wav"
    write_master(four, 240.0)
    library = ebur128.load()
    rounds = 3 if quick else 7
    parties: list[Callable[[], object]] = [
        lambda: measure_alone(Job(str(four))),
        lambda: decode(four),
        lambda: command("measure", "--no-cache", str(four)),
    ]
    if library is not None:
        parties.append(lambda: libebur128_all(library, four))
    ours, decoding, whole, *reference = best(rounds, *parties)
    print(f"decode {decoding:.2f} s, ours {ours:.2f} s, whole command {whole:.2f} s", end="")
    if reference:
        print(f", libebur128 {reference[0]:.2f} s")
        found.append(
            Line("measure 4 min, against libebur128 (all modes)", ours / reference[0], "x", 0.33, True)
        )
        found.append(Line("the whole command, against libebur128", whole / reference[0], "x", 1.0, True))
    else:
        print("; libebur128 is not installed: no ratio")
    samples, _ = soundfile.read(four, dtype="float32", frames=RATE * 60)
    chain = ChainSettings(4.0, LimiterSettings(-1.0, "true", 3.0, 150.0))
    from support.in_memory import play_array

    limiting = best(rounds, lambda: play_array(samples, RATE, chain))[0]
    found.append(Line("limiter chain, true peak, busy", 60.0 / limiting, "x", 100.0, False))
    copies = [folder / f"copy-{index}.wav" for index in range(8 if quick else 16)]
    for index, copy in enumerate(copies):
        write_master(copy, 120.0 if quick else 240.0, seed=index)
    one, two = best(1 if quick else 2, lambda: one_by_one(copies), lambda: many(copies, 2))
    found.append(Line(f"{len(copies)} files, two workers against one thread", one / two, "x", 1.8, False))
    write_master(hour, 3600.0)
    found += benchmark_measuring.lines(folder, four, hour, quick)
    found += benchmark_versions.lines(folder, four, 1 if quick else 3)
    found += start_lines(folder, 2 if quick else 4)
    found += page_lines(folder)
    small, large = resident(four), resident(hour)
    found.append(Line("peak memory, 4 minutes", small, "MB", 150.0, True))
    found.append(Line("more for an hour", large - small, "MB", 15.0, True))
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer rounds and files")
    parser.add_argument("--report", action="store_true", help="print only: never fail")
    asked = parser.parse_args()
    one_blas_thread()
    with tempfile.TemporaryDirectory() as folder:
        found = lines(Path(folder), asked.quick)
    for line in found:
        print(line)
    return 1 if not asked.report and any(line.far_off for line in found) else 0


if __name__ == "__main__":
    sys.exit(main())
