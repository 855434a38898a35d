"""What the desk needs from around it (log, measuring, screen, clock), passed in by the command or a test."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from simulator.desk.decodes import Decode
from simulator.session import events, log
from simulator.session.log import Act
from simulator.text.desk.stage import Stage


@dataclass(frozen=True, slots=True)
class Failure:
    """Background work that came to nothing: why, and the player that was wanted, if it was one."""

    text: str
    profile: str = ""


Taken = events.Event | Failure


class SessionLog(Protocol):
    """Where acts are kept (see storage/session_file.py), and what is there already."""

    @property
    def path(self) -> Path: ...
    @property
    def record(self) -> log.Record: ...
    def keep(self, act: Act) -> None: ...
    def copies(self) -> Mapping[str, log.Record]: ...
    def merge(self, other: log.Record) -> None: ...


class BackgroundWork(Protocol):
    """What the desk has done elsewhere, in the background (see desk/tracks.py)."""

    def predict(self, profile_id: str) -> list[events.Event]: ...
    def replace(self, track: int, path: str) -> list[events.Event]: ...
    def revision(self, track: int, path: str) -> list[events.Event]: ...
    def align(self) -> list[events.Event]: ...
    def find_moments(self, pairs: Sequence[tuple[int, int]]) -> list[events.Event]: ...
    @property
    def decodes(self) -> Mapping[Decode, str]: ...


class SecondScreen(Protocol):
    """A screen that follows the stage (see desk/artist_screen.py), and what it has to say to the engineer."""

    def show(self, stage: Stage) -> None: ...
    def news(self) -> list[str]: ...


class Watch(Protocol):
    """Files that were written while the desk is open (see desk/watch.py), and what is to be said of it."""

    @property
    def watching(self) -> bool: ...
    def take(self) -> tuple[list[str], list[str]]: ...


@dataclass(frozen=True, slots=True)
class Outside:
    """What the desk needs of the world: where words go, the clock (seconds) and how to let time pass, the
    time of day in words, chance (53 bits, which every reader of JSON keeps whole), and the folder for what
    is remembered; `screen` follows the stage, where there is one."""

    say: Callable[[str], None]
    config: Path
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    at: Callable[[], str] = lambda: datetime.now().astimezone().isoformat(timespec="seconds")
    chance: Callable[[], int] = lambda: secrets.randbits(53)
    screen: SecondScreen | None = None
