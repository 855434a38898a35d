"""The measuring by kind of file and by number of files: rows of the benchmark, see `benchmark.py`.

The reference meters are libebur128 (C, all modes), pyloudnorm, and libavfilter's ebur128 with true peak
through PyAV, where they are there. Many files are hard links to one of ten seconds, so that the disk's cache
serves all; nothing is taken from the program's own cache but in the last row.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from benchmark import RATE, Line, best, command, decode, libebur128_all, many, one_by_one

from simulator.engine.measure import Job, measure_alone


def lines(folder: Path, four: Path, hour: Path, quick: bool) -> list[Line]:
    """All rows."""
    return [*_kinds(folder, four, hour, 2 if quick else 5), *_numbers(folder, four, quick)]


def _kinds(folder: Path, four: Path, hour: Path, rounds: int) -> list[Line]:
    from support import ebur128

    library, found = ebur128.load(), []
    flac, high, surround = folder / "four.flac", folder / "high.wav", folder / "surround.wav"
    samples, _ = soundfile.read(four, dtype="float32")
    soundfile.write(flac, samples, RATE, subtype="PCM_24")
    soundfile.write(high, samples, 96_000, subtype="PCM_24")  # 1:50 at that rate: as many samples
    soundfile.write(surround, np.tile(samples[: 60 * RATE], 3), RATE, subtype="PCM_24")
    for name, path, goal in (("FLAC", flac, 0.5), ("96 kHz", high, 0.5), ("5.1, 1 min", surround, 0.5)):
        parties: list[Callable[[], object]] = [lambda path=path: measure_alone(Job(str(path)))]
        parties.append(lambda path=path: decode(path))
        if library is not None:
            parties.append(lambda path=path: libebur128_all(library, path))
        ours, decoding, *reference = best(rounds, *parties)
        if name == "FLAC":
            found.append(Line("FLAC, 4 min: against decoding alone", ours / decoding, "x", 2.0, True))
        if reference:
            found.append(Line(f"{name}, against libebur128", ours / reference[0], "x", goal, True))
    four_s, hour_s = best(1, lambda: measure_alone(Job(str(four))), lambda: measure_alone(Job(str(hour))))
    found.append(Line("an hour, against 15 times 4 min", hour_s / (15.0 * four_s), "x", 1.15, True))
    for name, party in (("pyloudnorm", _pyloudnorm), ("libavfilter ebur128 (PyAV)", _libavfilter)):
        try:
            ours, theirs = best(1, lambda: measure_alone(Job(str(four))), lambda party=party: party(four))
        except ImportError:
            print(f"{name}: not installed, no ratio")
            continue
        found.append(Line(f"4 min, against {name}", ours / theirs, "x", 1.0, True))
    return found


def _numbers(folder: Path, four: Path, quick: bool) -> list[Line]:
    """Seconds a file over 1 to 1,000 files, by one and by two workers; and all again from the cache."""
    ten, names = folder / "ten.wav", folder / "many"
    names.mkdir()
    samples, _ = soundfile.read(four, dtype="float32", frames=10 * RATE)
    soundfile.write(ten, samples, RATE, subtype="PCM_16")
    os.utime(ten, (1_000_000_000, 1_000_000_000))  # old enough for the cache to trust it
    paths = [names / f"{number:04d}.wav" for number in range(1000)]
    for path in paths:
        os.link(ten, path)
    found, each = [], {}
    for count in (1, 10, 100) if quick else (1, 10, 100, 1000):
        one, two = best(
            1, lambda count=count: one_by_one(paths[:count]), lambda count=count: many(paths[:count], 2)
        )
        each[count] = one / count
        print(
            f"{count:>5} files of 10 s: one thread {one:.2f} s, two workers {two:.2f} s ({one / two:.2f} x)"
        )
    most = max(each)
    found.append(Line(f"a file of {most}, against a file of 10", each[most] / each[10], "x", 1.2, True))
    found.append(Line(f"{most} files of 10 s, two workers", one / two, "x", 1.8, False))
    os.environ["XDG_CACHE_HOME"] = str(folder / "cache")
    try:
        command("measure", str(names))
        again = best(2, lambda: command("measure", str(names)))[0]
    finally:
        del os.environ["XDG_CACHE_HOME"]
    found.append(Line("1,000 files again, from the cache", again, "s", 2.0, True))
    return found


def _pyloudnorm(path: Path) -> None:
    import pyloudnorm

    samples, rate = soundfile.read(path)
    pyloudnorm.Meter(rate).integrated_loudness(samples)


def _libavfilter(path: Path) -> None:
    import av

    with av.open(str(path)) as file:
        stream: Any = file.streams.audio[0]
        graph = av.filter.Graph()
        source = graph.add_abuffer(template=stream)
        meter, sink = graph.add("ebur128", "peak=true:framelog=quiet"), graph.add("abuffersink")
        source.link_to(meter)
        meter.link_to(sink)
        graph.configure()
        for frame in file.decode(stream):
            graph.push(frame)
            while True:
                try:
                    graph.pull()
                except (BlockingIOError, av.error.EOFError):
                    break


if __name__ == "__main__":
    sys.exit("Run tests/benchmark.py")
