"""The parent's book of lanes: which are there, which are to be made, and which must go.

A lane is known by its file and its chain. Where the key says as what the file was measured, its lane is that
for the whole session, also when another file lies under the name since; else size, time and inode tell a new
revision, which gets a new lane. It keeps its number for the whole session, also while it is not there. There
is a limit for all together; what is wanted at once takes the room of what was not played for longest, what is
only prepared takes none. Neither what plays nor what is held is taken away.

The lanes lie in a scratch folder under the cache folder, for the user alone, with a lock that tells a running
session from a dead one.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import read_info
from simulator.common.errors import SimulatorError, WriteError
from simulator.deck.interface import LaneKey, LaneView
from simulator.deck.renderer import Drop, Make, RendererProcess
from simulator.deck.shared_memory import FAILED, FRAME_BYTES, GENERATION, MOST_LANES, READY, Cells
from simulator.dsp.conversion import resampled_frames
from simulator.storage.folders import cache_folder
from simulator.storage.process_life import process_lives
from simulator.storage.small_files import BINARY, Stamp, stamp_of

MOST_BYTES = 4 * 10**9
MARGIN_FRAMES = 4096
_Identity = tuple[LaneKey, Stamp | None]


@dataclass(slots=True)
class _Lane:
    number: int
    key: LaneKey
    expected: int
    generation: int = 0
    there: bool = False
    rank: int = 0
    played: int = 0
    problem: str | None = None
    no_room: str | None = None


class LaneBook:
    """The lanes of one deck."""

    def __init__(
        self,
        cells: Cells,
        sample_rate: int,
        renderer: RendererProcess,
        free_bytes: Callable[[], int],
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self._cells, self._rate, self._renderer = cells, sample_rate, renderer
        self._free_bytes, self._most_bytes = free_bytes, most_bytes
        self._lanes: dict[_Identity, _Lane] = {}
        self._by_number: list[_Lane] = []
        self._turn = 0
        self._playing: tuple[int, ...] = ()
        self._held: tuple[int, ...] = ()

    def want(self, key: LaneKey, *, urgent: bool = False) -> LaneView:
        """Has the lane made in the background, `urgent` before all others (else only while there is room);
        says how far it is. Never waits."""
        lane = self._lane(key)
        if not lane.there and lane.problem is None:
            self._make(lane, urgent)
        elif urgent and not self._view(lane).finished:
            self._hurry(lane)
        return self._view(lane)

    def hold(self, keys: Sequence[LaneKey]) -> str | None:
        """Has all these made before all others, and none of them removed for another before the next call; or
        says why they cannot be there together, and makes none. Never waits."""
        lanes = [self._lane(key) for key in dict.fromkeys(keys)]
        self._held = ()
        needed = sum(lane.expected for lane in lanes) * FRAME_BYTES
        if needed > self._most_bytes:
            return (
                f"Prepared for playing they need {needed / 1e9:.2g} GB together, and a session keeps "
                f"{self._most_bytes / 1e9:.2g} GB. Cut the song out of longer files."
            )
        self._held = tuple(lane.number for lane in lanes)
        for lane in lanes:
            self.want(lane.key, urgent=True)
        return None

    def look(self, key: LaneKey) -> LaneView:
        """How far it is, without asking for it."""
        lane = self._lanes.get(_identity(key))
        return LaneView() if lane is None else self._view(lane)

    def read(self, key: LaneKey, first: int, end: int) -> NDArray[np.float32]:
        """The frames [first, end) of a lane that is made to its end, or those of them that there are."""
        lane = self._lanes.get(_identity(key))
        if lane is None or not self._view(lane).finished:
            return np.zeros((0, 2), np.float32)
        try:
            return self._renderer.read(lane.number, lane.generation, first, min(end, self._view(lane).frames))
        except OSError:
            return np.zeros((0, 2), np.float32)

    def number(self, key: LaneKey) -> int:
        """The number that orders name the lane by."""
        return self._lane(key).number

    def playing(self, numbers: Sequence[int]) -> None:
        """These lanes are at the playing place or beside it: they stay, and are made first, in this order."""
        changed = self._playing != tuple(numbers)
        self._playing = tuple(numbers)
        self._turn += changed
        for number in reversed(self._playing):
            lane = self._by_number[number]
            lane.played = self._turn
            if lane.problem is None and not lane.there:
                self._make(lane, urgent=True)
            elif changed and not self._view(lane).finished:
                self._hurry(lane)

    def problem(self, number: int) -> str | None:
        """Why the lane cannot be made, or not now."""
        lane = self._by_number[number]
        return lane.problem or lane.no_room

    def tend(self) -> None:
        """Takes in what the renderer says, and starts it again where a decoder has killed it."""
        for failed in self._renderer.failures():
            self._by_number[failed.lane].problem = failed.why
        if not self._renderer.died():
            return
        left = [lane for lane in self._by_number if lane.there and not self._view(lane).finished]
        if left:
            guilty = max(left, key=lambda lane: (lane.rank, -lane.number))
            guilty.problem = f"{guilty.key.path}: the decoder crashed on this file. Export it again."
            guilty.there = False
        self._renderer.start()
        for lane in left:
            if lane.there:
                lane.generation += 1
                self._send(lane)

    def _lane(self, key: LaneKey) -> _Lane:
        identity = _identity(key)
        lane = self._lanes.get(identity)
        if lane is None:
            lane = _Lane(len(self._by_number), key, 0)
            self._lanes[identity] = lane
            self._by_number.append(lane)
            try:
                info = read_info(key.path)
                lane.expected = resampled_frames(info.frames, info.sample_rate, self._rate) + MARGIN_FRAMES
            except SimulatorError as problem:
                lane.problem = str(problem)
            if lane.number >= MOST_LANES:
                lane.problem = f"{key.path}: too many tracks were prepared in one session; start it again."
        return lane

    def _make(self, lane: _Lane, urgent: bool) -> None:
        needed = lane.expected * FRAME_BYTES
        lane.no_room = None
        if not self._room(needed, urgent):
            if urgent:
                lane.no_room = self._no_room(lane.key.path, needed)
            return
        lane.there = True
        lane.generation += 1
        if urgent:
            self._turn += 1
            lane.played = self._turn
        lane.rank = self._turn if urgent else 0
        self._send(lane)

    def _hurry(self, lane: _Lane) -> None:
        """Before all others."""
        if lane.there and (not lane.rank or lane.rank < self._turn):
            self._turn += 1
            lane.rank = self._turn
            self._send(lane)

    def _send(self, lane: _Lane) -> None:
        self._renderer.send(Make(lane.number, lane.generation, lane.key, lane.expected, lane.rank))

    def _room(self, needed: int, urgent: bool) -> bool:
        """True where there is room, or it can be made. Nothing is removed where that would not be enough."""
        kept = [lane for lane in self._by_number if lane.there]
        over = sum(lane.expected for lane in kept) * FRAME_BYTES + needed - self._most_bytes
        over = max(over, needed - self._free_bytes())
        if over <= 0:
            return True
        if not urgent:
            return False
        going = []
        for lane in sorted(kept, key=lambda lane: (lane.played, lane.number)):
            if over > 0 and lane.number not in (*self._playing, *self._held):
                over -= lane.expected * FRAME_BYTES
                going.append(lane)
        if over > 0:
            return False
        for lane in going:
            lane.there = False
            self._renderer.send(Drop(lane.number))
        return True

    def _no_room(self, path: str, needed: int) -> str:
        """Why it cannot be prepared now: the disk, or the limit, which is taken up by what stays."""
        said = f"{path}: there is no room to prepare it ({needed / 1e6:.0f} MB are needed"
        if self._free_bytes() < needed:
            return f"{said}). Free some space on the disk of the cache folder."
        said = f"{said} beside the lane that is playing, and a session keeps {self._most_bytes / 1e9:.2g} GB)"
        return f"{said}. Cut the song out of longer files."

    def _view(self, lane: _Lane) -> LaneView:
        row = self._cells.lanes[lane.number] if lane.number < MOST_LANES else None
        if row is None or not lane.there or int(row[GENERATION]) != lane.generation:
            return LaneView(0, max(lane.expected - MARGIN_FRAMES, 0), False, lane.problem or lane.no_room)
        ready, total = int(row[READY]), self._cells.total(lane.number)
        problem = lane.problem
        if problem is None and row[FAILED]:
            problem = f"{lane.key.path}: it cannot be prepared for playing."
        frames = max(lane.expected - MARGIN_FRAMES, ready) if total is None else total
        return LaneView(ready, frames, total is not None, problem)


def _identity(key: LaneKey) -> _Identity:
    """The file as it was measured, or else as it is now; one that is gone has an identity of its own."""
    return key, key.stamp or stamp_of(key.path)


KEEP_FREE_BYTES = 256 * 2**20
"""What the lanes leave on the disk for others."""
LOCK = "lock"


class Scratch:
    """One session's folder, `scratch/PID` in the cache folder, mode 0700."""

    def __init__(self, base: Path | None = None) -> None:
        """Removes what dead sessions left, then makes it. Raises WriteError."""
        home = (base or cache_folder()) / "scratch"
        try:
            home.mkdir(parents=True, exist_ok=True, mode=0o700)
            remove_dead(home)
            self.folder = _new_folder(home)
        except OSError as problem:
            raise WriteError(
                f"{home}: the folder for the prepared tracks cannot be made: {problem.strerror}.",
                "Free some space there or change its permissions.",
            ) from None
        self._lock = os.open(self.folder / LOCK, os.O_CREAT | os.O_RDWR | BINARY, 0o600)
        _locked(self._lock)
        self.log = os.fspath(self.folder / "messages.log")

    def free_bytes(self) -> int:
        """What may still be written there."""
        return max(0, shutil.disk_usage(self.folder).free - KEEP_FREE_BYTES)

    def close(self) -> None:
        """Removes the folder."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1
        shutil.rmtree(self.folder, ignore_errors=True)


def remove_dead(home: Path) -> None:
    """Removes the folders whose sessions are gone: nobody holds their lock, or the process is gone that was
    to make it."""
    for folder in home.iterdir():
        with contextlib.suppress(OSError, ValueError):
            try:
                lock = os.open(folder / LOCK, os.O_RDWR | BINARY)
            except FileNotFoundError:
                if not process_lives(int(folder.name.partition("-")[0])):
                    folder.rmdir()
                continue
            try:
                dead = _locked(lock)
            finally:
                os.close(lock)
            if dead:
                shutil.rmtree(folder, ignore_errors=True)


def _new_folder(home: Path) -> Path:
    """`PID`, or `PID-2` and so on where this process has one already."""
    for number in range(1, 100):
        folder = home / (str(os.getpid()) if number == 1 else f"{os.getpid()}-{number}")
        with contextlib.suppress(FileExistsError):
            folder.mkdir(mode=0o700)
            return folder
    raise OSError(None, "there are a hundred already")


def _locked(descriptor: int) -> bool:
    """Takes the lock, which ends with its process; False where another holds it."""
    try:
        if os.name == "nt":
            import msvcrt

            # the first byte, which need not be there
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
