"""Decoded versions for the desk: a master's decode and the codec's residual, as files a worker writes.

Both have the delivered rate and the master's frames, in place: residual = decoded − master (converted to
that rate, before word length and codec), in float32, so that overs stay. The files are in `decoded-MARK` in
the cache folder (mode 0700) as long as the session; those of dead sessions are removed. A decoder that
crashes costs one track.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioReader, read_info
from simulator.audio_files.writer import write_audio
from simulator.codecs.deliver import Delivering
from simulator.common.errors import SimulatorError, WriteError
from simulator.common.text import counted
from simulator.dsp.conversion import resample
from simulator.engine import workers
from simulator.engine.align import difference_audio
from simulator.normalizer.profile import Delivery
from simulator.storage.folders import cache_folder
from simulator.storage.measurement_cache import Store
from simulator.storage.process_life import name_mark, named_lives, process_lives
from simulator.storage.writing import make_folder

PREFIX = "decoded-"
LEFT_BYTES = 500_000_000
"""What a disk must have left."""
Lane = Literal["decoded", "difference"]
Decode = tuple[str, str, Delivery, Lane]
"""The file and its content (another revision may come under the same name), what delivers it, and what of
that is heard."""


def _check_room(folder: Path, files: Sequence[str]) -> None:
    """Raises WriteError where the disk would be left with less than LEFT_BYTES: a decode is as long as its
    master, in float, and a codec may raise the rate to 48 kHz."""
    needed = 0
    for path in files:
        with contextlib.suppress(SimulatorError):  # the work itself will name it
            info = read_info(path)
            rate = max(info.sample_rate, 48_000) / info.sample_rate
            needed += round(info.frames * rate) * info.channels * 4
    free = shutil.disk_usage(folder).free
    many = counted(len(files), "track")
    if free - needed < LEFT_BYTES:
        raise WriteError(
            f"{folder}: decoding {many} needs {needed / 1e9:.1f} GB; {free / 1e9:.1f} GB free.",
            "Free some disk space, or open fewer tracks.",
        )


class Decodes:
    """The decodes of a session, and what they differ by from their masters."""

    def __init__(self, base: Path | None = None) -> None:
        self._base = base or cache_folder()
        self.paths: dict[Decode, str] = {}
        self.problems: list[SimulatorError] = []
        self._numbers = count()

    def make(
        self,
        files: Sequence[str],
        delivery: Delivery,
        lane: Lane = "decoded",
        contents: Mapping[str, str] | None = None,
        keep_in: Path | None = None,
    ) -> None:
        """Has what is not there yet made; a file that fails is in `problems`. `contents` (the files' hashes)
        and `keep_in` (the cache's folder) find what is encoded already. Raises WriteError."""
        known = contents or {}
        missing = [path for path in files if (path, known.get(path, ""), delivery, lane) not in self.paths]
        if not missing:
            return
        folder = self._folder()
        _check_room(folder, missing)
        jobs = [
            LaneJob(
                path,
                delivery,
                lane,
                os.fspath(folder / f"{next(self._numbers)}.wav"),
                content=known.get(path, ""),
                keep_in=keep_in,
            )
            for path in missing
        ]
        for index, done in workers.run(write_lane, jobs, 1, lambda job: job.path):
            if isinstance(done, SimulatorError):
                self.problems.append(done)
            else:
                self.paths[jobs[index].path, jobs[index].content, delivery, lane] = jobs[index].target

    def residual(self, open_path: str, other_path: str, cache: Path | None) -> tuple[str, str]:
        """What two versions differ by, as a file in the open one's time and one in the other one's. Raises
        UsageError where they cannot be compared, AudioError, and WriteError."""
        folder = self._folder()
        _check_room(folder, [open_path, other_path])
        targets = tuple(os.fspath(folder / f"{next(self._numbers)}.wav") for _ in range(2))
        job = ResidualJob(open_path, other_path, targets[0], targets[1], cache)
        [(_, done)] = workers.run(write_residual, [job], 1, lambda job: job.other)
        if isinstance(done, SimulatorError):
            raise done
        return targets[0], targets[1]

    def close(self) -> None:
        """Removes them all."""
        shutil.rmtree(self._base / f"{PREFIX}{name_mark(os.getpid())}", ignore_errors=True)
        self.paths.clear()

    def _folder(self) -> Path:
        """This session's, made at its first use; those of dead sessions go."""
        for old in self._base.glob(f"{PREFIX}*"):
            mark = old.name.removeprefix(PREFIX)
            with contextlib.suppress(ValueError):  # what earlier versions left has only the process's number
                if not (process_lives(int(mark)) if mark.isdecimal() else named_lives(mark)):
                    shutil.rmtree(old, ignore_errors=True)
        folder = self._base / f"{PREFIX}{name_mark(os.getpid())}"
        make_folder(folder)
        os.chmod(folder, 0o700)
        return folder


Block = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class LaneJob:
    """One lane of one file. `content` and `keep_in` as in `Delivering`."""

    path: str
    delivery: Delivery
    lane: Lane
    target: str
    content: str = ""
    keep_in: Path | None = None


def write_lane(job: LaneJob) -> None:
    """Writes the lane as a float32 WAV at the delivered rate. Raises AudioError, WriteError."""
    with contextlib.ExitStack() as files:
        reader = files.enter_context(AudioReader(job.path, hashed=not job.content))
        info = reader.info
        trip = Delivering(
            info.sample_rate,
            info.channels,
            job.delivery,
            content=lambda: job.content or reader.content,
            keep_in=job.keep_in,
            name=job.path,
        )
        stream = trip(reader)
        if job.lane == "difference":
            again = files.enter_context(AudioReader(job.path, hashed=False))
            master = resample(again, info.channels, info.sample_rate, trip.sample_rate)
            stream = difference(master, stream, info.channels)
        _write(job.target, stream, trip.sample_rate, info.channels, info.frames)


def difference(master: Iterable[Block], decoded: Iterable[Block], channels: int) -> Iterator[Block]:
    """decoded − master, block by block; both have the same frames in blocks of any sizes."""
    held = np.zeros((0, channels), dtype=np.float32)
    source = iter(master)
    for block in decoded:
        while held.shape[0] < block.shape[0]:
            piece = next(source, None)
            if piece is None:
                break
            held = np.concatenate([held, piece])
        yield block[: held.shape[0]] - held[: block.shape[0]]
        held = held[block.shape[0] :]


def _write(target: str, blocks: Iterable[Block], rate: int, channels: int, frames: int) -> None:
    write_audio(Path(target), blocks, rate, channels, "float32", True, False, frames)


@dataclass(frozen=True, slots=True)
class ResidualJob:
    """Two versions, the open one first, and where their residual goes: in the time of each."""

    open: str
    other: str
    in_open_time: str
    in_other_time: str
    cache: Path | None


def write_residual(job: ResidualJob) -> None:
    """Writes both files, float32 at the open version's rate."""
    os.environ["FAIRHEARING_IN_PROCESS"] = "1"  # a worker that may crash already
    with (
        Store(job.cache, lambda _: None) as store,
        difference_audio(job.open, job.other, store) as heard,
    ):
        rate, channels, frames = heard.sample_rate, heard.channels, heard.frames
        later = round((heard.alignment.offset_s or 0.0) * rate)
        _write(job.in_open_time, heard.blocks, rate, channels, frames)
    with AudioReader(job.in_open_time, hashed=False) as reader:
        moved = _moved(reader, later, channels)
        _write(job.in_other_time, moved, rate, channels, max(frames + later, 0))


def _moved(blocks: Iterable[Block], later: int, channels: int) -> Iterator[Block]:
    """Blocks (frames, channels) with silence before them, or without their first frames."""
    if later > 0:
        yield np.zeros((later, channels), dtype=np.float32)
    for block in blocks:
        dropped = min(max(-later, 0), block.shape[0])
        later += dropped if later < 0 else 0
        if dropped < block.shape[0]:
            yield block[dropped:]
