"""The process that makes the lanes: files through the chain, at the deck's rate, in two channels, to disk.

It works block by block on the lane that is wanted most, so that one which is wanted at once does not wait for
the others. A limiter is in the state that it has in a render, because every lane is made from its first
frame. When the pipe is closed without a word the session was killed: what lies in the scratch folder goes.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import AudioReader
from simulator.common.channels import folded
from simulator.common.errors import SimulatorError
from simulator.deck.interface import LaneKey
from simulator.deck.shared_memory import (
    FAILED,
    FRAME_BYTES,
    GENERATION,
    READY,
    TOTAL,
    Cells,
    Shared,
    lane_path,
)
from simulator.deck.stream import quiet_process
from simulator.dsp.conversion import resample
from simulator.engine.workers import ChildProcess, one_blas_thread
from simulator.normalizer.chain import play
from simulator.storage.process_life import end_with_parent
from simulator.storage.small_files import BINARY, changed_file_error, stamp_of

Blocks = Generator[NDArray[np.float32], None, None]


def to_stereo(block: NDArray[np.float32]) -> NDArray[np.float32]:
    """The block as two channels (frames, 2)."""
    return np.repeat(block, 2, axis=1) if block.shape[1] == 1 else folded(block)


END_SECONDS = 2.0
POLITE = 5
"""How far it steps back behind other processes (the deck's own has no work to speak of)."""


@dataclass(frozen=True, slots=True)
class Make:
    """Make this lane; of several, the one with the highest `rank` comes first. `expected` frames are kept
    free for it on the disk."""

    lane: int
    generation: int
    key: LaneKey
    expected: int
    rank: int


@dataclass(frozen=True, slots=True)
class Drop:
    """Stop making this lane, and remove it."""

    lane: int


@dataclass(frozen=True, slots=True)
class Failed:
    """This lane ends early, and why."""

    lane: int
    why: str


@dataclass(frozen=True, slots=True)
class Stop:
    """End; the folder is removed by the parent."""


def lane_blocks(key: LaneKey, sample_rate: int) -> Blocks:
    """A lane's samples (frames, 2), from its first frame on: what `render --rate` writes, in two channels.
    Raises AudioError, also where the file holds other samples than those that were measured. If it was
    rewritten since, empty blocks come while its samples are compared."""
    stamp = stamp_of(key.path)
    if key.stamp is not None and stamp not in (None, key.stamp):
        yield from _compared(key)
    with AudioReader(key.path, hashed=bool(key.content)) as reader:
        rate, channels = reader.info.sample_rate, reader.info.channels
        stream: Iterator[NDArray[np.float32]] = iter(reader)
        if key.chain is not None:
            stream = play(stream, rate, channels, key.chain)
        for block in resample(stream, channels, rate, sample_rate):
            yield to_stereo(block)
    written = key.stamp is not None and stamp_of(key.path) != stamp
    if written and (not key.content or reader.content != key.content):  # while it was read
        raise changed_file_error(key.path)


def _compared(key: LaneKey) -> Iterator[NDArray[np.float32]]:
    """Raises AudioError where the rewritten file does not hold the samples that were measured."""
    nothing = np.zeros((0, 2), np.float32)
    with AudioReader(key.path) as reader:
        for _ in reader:
            yield nothing
    if reader.content != key.content:
        raise changed_file_error(key.path)


def run(pipe: Connection, shared: Shared, folder: str, log: str, sample_rate: int) -> None:
    """The process's whole life."""
    quiet_process(log)
    end_with_parent(lambda: shutil.rmtree(folder, ignore_errors=True))  # a decoder may hang
    one_blas_thread()
    if hasattr(os, "nice"):
        os.nice(POLITE)
    renderer = Renderer(Path(folder), shared.cells(sample_rate), sample_rate)
    try:
        while True:
            while pipe.poll(0.0 if renderer.busy else None):
                message = pipe.recv()
                if isinstance(message, Stop):
                    os._exit(0)
                renderer.take(message)
            failed = renderer.step()
            if failed is not None:
                pipe.send(failed)
    except (EOFError, OSError):
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(0)


class Renderer:
    """The lanes in work."""

    def __init__(self, folder: Path, cells: Cells, sample_rate: int) -> None:
        self._folder, self._lanes, self._rate = folder, cells.lanes, sample_rate
        self._work: dict[int, tuple[Make, Blocks, int]] = {}
        self._gone: set[Path] = set()

    @property
    def busy(self) -> bool:
        return bool(self._work)

    def take(self, message: object) -> None:
        """A wish of the parent's: to make, to hurry (the same again), or to drop."""
        if isinstance(message, Drop):
            self._end(message.lane)
            self._clear(message.lane, int(self._lanes[message.lane, GENERATION]))
        elif isinstance(message, Make):
            have = self._work.get(message.lane)
            if have is not None and have[0].generation == message.generation:
                self._work[message.lane] = (message, *have[1:])
            else:
                self._end(message.lane)
                self._clear(message.lane, message.generation)
                self._work[message.lane] = (message, lane_blocks(message.key, self._rate), -1)

    def step(self) -> Failed | None:
        """One block of the lane that is wanted most; what went wrong with it."""
        self._remove()
        if not self._work:
            return None
        lane = max(self._work, key=lambda one: (self._work[one][0].rank, -one))
        make, blocks, target = self._work[lane]
        try:
            if target < 0:
                target = self._begin(make)
                self._work[lane] = (make, blocks, target)
            block = next(blocks, None)
            if block is not None:
                self._write(lane, target, block)
                return None
        except (SimulatorError, OSError, ValueError) as problem:
            self._finish(lane, failed=True)
            return Failed(lane, _words(make.key.path, problem))
        self._finish(lane, failed=False)
        return None

    def _clear(self, lane: int, generation: int) -> None:
        """Takes the lane out of the table and its file off the disk."""
        self._gone.add(lane_path(self._folder, lane, int(self._lanes[lane, GENERATION])))
        self._lanes[lane] = 0
        self._lanes[lane, GENERATION] = generation
        self._remove()

    def _remove(self) -> None:
        """Removes what is out of the table. Windows refuses that while the stream's process has it mapped,
        which is a moment longer: it is tried again with the next block and wish."""
        for path in list(self._gone):
            with contextlib.suppress(PermissionError):
                path.unlink(missing_ok=True)
                self._gone.remove(path)

    def _begin(self, make: Make) -> int:
        """The file, with the room that it will need."""
        path = lane_path(self._folder, make.lane, make.generation)
        target = os.open(path, os.O_CREAT | os.O_RDWR | os.O_TRUNC | BINARY, 0o600)
        if hasattr(os, "posix_fallocate") and make.expected > 0:
            try:
                os.posix_fallocate(target, 0, make.expected * FRAME_BYTES)
            except OSError:
                os.close(target)
                os.remove(path)
                raise
        return target

    def _write(self, lane: int, target: int, block: NDArray[np.float32]) -> None:
        at = int(self._lanes[lane, READY]) * FRAME_BYTES
        data = memoryview(block.tobytes())
        os.lseek(target, at, os.SEEK_SET)
        while data:
            data = data[os.write(target, data) :]
        self._lanes[lane, READY] += block.shape[0]

    def _finish(self, lane: int, *, failed: bool) -> None:
        self._lanes[lane, FAILED] = failed
        self._lanes[lane, TOTAL] = self._lanes[lane, READY] + 1
        self._end(lane)

    def _end(self, lane: int) -> None:
        work = self._work.pop(lane, None)
        if work is not None:
            work[1].close()
            if work[2] >= 0:
                os.close(work[2])


def _words(path: str, problem: Exception) -> str:
    if isinstance(problem, SimulatorError):
        return str(problem)
    if isinstance(problem, OSError) and problem.strerror:
        return f"{path}: it cannot be prepared for playing: {problem.strerror}. Free some space on the disk."
    return f"{path}: it cannot be prepared for playing: {problem}."


class RendererProcess:
    """The parent's end of the renderer: started with the first wish, started again by the book of lanes."""

    def __init__(self, context: Any, shared: Shared, folder: str, log: str, sample_rate: int) -> None:
        self._child = ChildProcess(run, context)
        self._arguments, self._folder = (shared, folder, log, sample_rate), Path(folder)

    def start(self) -> None:
        """Starts it (again)."""
        self._child.start(*self._arguments)

    def send(self, message: object) -> None:
        """Passes a wish on; one that finds it dead is repeated by the book."""
        if not self._child.running:
            self.start()
        self._child.send(message)

    def read(self, lane: int, generation: int, first: int, end: int) -> NDArray[np.float32]:
        """Frames of a lane (frames, 2) from the disk, as many as there are. Raises OSError."""
        with open(lane_path(self._folder, lane, generation), "rb") as file:
            file.seek(first * FRAME_BYTES)
            return np.frombuffer(file.read((end - first) * FRAME_BYTES), np.float32).reshape(-1, 2)

    def failures(self) -> Iterator[Failed]:
        """The lanes that could not be rendered since."""
        with contextlib.suppress(EOFError):
            yield from self._child.messages()

    def died(self) -> bool:
        """True where it has ended by itself."""
        return self._child.died()

    def close(self) -> None:
        """Ends it; in the middle of a long block by force."""
        self._child.end(Stop(), END_SECONDS)
