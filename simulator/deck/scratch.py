"""Scratch folder of a session's lanes: under the cache folder, for the user alone, with a lock that tells a
living session from a dead one.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from simulator.common.errors import WriteError
from simulator.storage.folders import cache_folder
from simulator.storage.process_life import process_lives
from simulator.storage.small_files import BINARY

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
            _lock_on_windows(descriptor)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _lock_on_windows(descriptor: int) -> None:
    """The first byte, which need not be there. Raises OSError where another process has it."""
    import msvcrt

    msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
