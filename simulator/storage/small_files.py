"""Small files read within bounds, logs to append to, and the stamp that shows whether a file has changed.

A name may lead to a pipe that nobody writes to, an endless device or a disk image; none of these may block
the program or fill its memory.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from simulator.common.errors import AudioError, SimulatorError

MEBIBYTE = 1024 * 1024
LARGEST_PLAYLIST_BYTES = 16 * MEBIBYTE
LARGEST_PROFILE_BYTES = MEBIBYTE
LARGEST_ANSWER_BYTES = 32 * MEBIBYTE
LARGEST_RECORD_BYTES = 64 * MEBIBYTE
"""Hundreds of long sessions."""


NOT_ORDINARY = "it is not a regular file"
BINARY = getattr(os, "O_BINARY", 0)
"""For every os.open: without it Windows writes 0x0D before each 0x0A, and drops it again when reading."""
_read: dict[str, None] = {}


def files_read() -> tuple[str, ...]:
    """The files that this command has read here, as absolute paths; no result may replace one."""
    return tuple(_read)


def forget_files_read() -> None:
    """For the next command of this process."""
    _read.clear()


def read_small(path: str | Path, largest_bytes: int) -> bytes:
    """All bytes of a regular file of up to `largest_bytes`. Raises OSError with the reason in `strerror`, and
    FileNotFoundError."""
    _read[os.path.abspath(path)] = None
    try:
        # Without O_NONBLOCK, opening a pipe waits for whoever writes into it.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | BINARY)
    except ValueError as problem:  # a zero character in the path
        raise OSError(0, str(problem), str(path)) from None
    with open(handle, "rb") as file:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(0, NOT_ORDINARY, str(path))
        data = file.read(largest_bytes + 1)
    if len(data) > largest_bytes:
        raise OSError(0, f"it is larger than {largest_bytes // MEBIBYTE} MB", str(path))
    return data


def read_named(path: str | Path, largest_bytes: int, what: str, error: type[SimulatorError]) -> bytes:
    """`read_small` with its refusal as an error of the project's own; `what` the file should be."""
    try:
        return read_small(path, largest_bytes)
    except OSError as problem:
        reason = problem.strerror or problem
        raise error(f"{path}: cannot read {what}: {reason}.", "Check the path.") from None


def open_to_write(path: Path, how: int) -> int:
    """The descriptor of a regular file for this user alone, made where it is missing; `how` is os.O_APPEND or
    os.O_TRUNC. Raises OSError, without blocking also for a pipe without a reader, or a device."""
    waits_not = getattr(os, "O_NONBLOCK", 0)
    handle = os.open(path, os.O_CREAT | os.O_WRONLY | BINARY | waits_not | how, 0o600)
    if stat.S_ISREG(os.fstat(handle).st_mode):
        return handle
    os.close(handle)
    raise OSError(0, NOT_ORDINARY, str(path))


Stamp = tuple[int, int, int]
"""Size in bytes, time of the last change in ns, inode."""


def stamp_of(path: str) -> Stamp | None:
    """The file's stamp now; None where there is no such file."""
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def changed_since(path: str, stamp: Stamp | None) -> bool:
    """True where the file has changed; False where it is gone, or without a stamp."""
    now = stamp_of(path)
    return stamp is not None and now is not None and now != stamp


def changed_file_error(
    path: str, cure: str = "To measure and play the new file: replace NUMBER FILE"
) -> AudioError:
    """The error of a file that has changed since it was measured."""
    return AudioError(f"{path} has changed on disk since it was measured.", cure)
