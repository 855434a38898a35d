"""The parent's end of the process that makes the lanes."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from simulator.deck import renderer
from simulator.deck.mapped_lanes import FRAME_BYTES, lane_path
from simulator.deck.renderer import Failed, Stop
from simulator.deck.shared_state import Shared
from simulator.engine.signals import children_deaf, signals_held

END_SECONDS = 2.0


class Making(Protocol):
    """What the book of lanes needs of it."""

    def send(self, message: object) -> None: ...
    def read(self, lane: int, generation: int, first: int, end: int) -> NDArray[np.float32]: ...
    def failures(self) -> Iterator[Failed]: ...
    def died(self) -> bool: ...
    def start(self) -> None: ...


class MakerProcess:
    """A spawned maker of lanes, started with the first wish."""

    def __init__(self, context: Any, shared: Shared, folder: str, log: str, sample_rate: int) -> None:
        self._context, self._arguments = context, (shared, folder, log, sample_rate)
        self._folder = Path(folder)
        self._process: Any = None
        self._pipe: Any = None

    def start(self) -> None:
        """Starts it (again)."""
        with signals_held():
            if self._pipe is not None:
                self._pipe.close()
            self._pipe, theirs = self._context.Pipe()
            process = self._context.Process(target=renderer.run, args=(theirs, *self._arguments), daemon=True)
            with children_deaf():
                process.start()
            self._process = process
            theirs.close()

    def send(self, message: object) -> None:
        """Passes a wish on; one that finds it dead is repeated by the book."""
        if self._process is None:
            self.start()
        with contextlib.suppress(OSError):
            self._pipe.send(message)

    def read(self, lane: int, generation: int, first: int, end: int) -> NDArray[np.float32]:
        """Frames of a lane (frames, 2) from the disk, as many as there are. Raises OSError."""
        with open(lane_path(self._folder, lane, generation), "rb") as file:
            file.seek(first * FRAME_BYTES)
            return np.frombuffer(file.read((end - first) * FRAME_BYTES), np.float32).reshape(-1, 2)

    def failures(self) -> Iterator[Failed]:
        """What it has said since."""
        with contextlib.suppress(EOFError, OSError):
            while self._pipe is not None and self._pipe.poll():
                yield self._pipe.recv()

    def died(self) -> bool:
        """Has it ended by itself?"""
        return self._process is not None and not self._process.is_alive()

    def close(self) -> None:
        """Ends it."""
        if self._process is None:
            return
        with contextlib.suppress(OSError):
            self._pipe.send(Stop())
        self._process.join(END_SECONDS)
        if self._process.is_alive():  # in the middle of a long block
            self._process.kill()
            self._process.join()
        self._pipe.close()
        self._process = None
