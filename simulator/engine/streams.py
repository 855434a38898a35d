"""Standard streams that are closed, lead nowhere or are not UTF-8, and native messages kept off the prompt.

A descriptor that is closed at the start would be given to the first file opened, and screen output would go
into it; so 0, 1 and 2 are taken first. ALSA, PortAudio and decoders write to descriptor 2 past Python; while
a prompt is on the screen it leads to a log in the cache folder.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO, cast

from simulator.storage.small_files import open_to_write

STANDARD_INPUT, STANDARD_OUTPUT, STANDARD_ERROR = 0, 1, 2


class Outlet(io.FileIO):
    """A descriptor to print to. Once nobody reads it, or it cannot be written, it leads to the null device;
    `problem` says why, except for a reader that has read enough."""

    def __init__(self, descriptor: int) -> None:
        super().__init__(descriptor, "wb", closefd=False)
        self.problem: OSError | None = None

    def write(self, data: bytes | bytearray | memoryview) -> int:  # type: ignore[override]
        try:
            return super().write(data) or 0
        except BlockingIOError:
            raise
        except OSError as problem:
            if problem.errno not in (errno.EPIPE, errno.EBADF):
                self.problem = problem
            lead_to_null(self.fileno())
            return memoryview(data).nbytes


def prepare_streams() -> Outlet | None:
    """Makes the three streams usable, whatever the program was started with; the outlet of standard output
    where it leads to no terminal. Redirected, they are UTF-8 with plain line ends on every system, unless
    PYTHONIOENCODING asks for another encoding."""
    _take(STANDARD_INPUT, os.O_RDONLY)
    _take(STANDARD_OUTPUT, os.O_WRONLY)
    _take(STANDARD_ERROR, os.O_WRONLY)
    if sys.stdin is None:
        sys.stdin = open(STANDARD_INPUT, encoding="utf-8", closefd=False)  # noqa: SIM115 - for the whole run
    elif isinstance(sys.stdin, io.TextIOWrapper) and not os.isatty(STANDARD_INPUT) and not _asked():
        sys.stdin.reconfigure(encoding="utf-8")
    if isinstance(sys.stdout, io.TextIOWrapper) and os.isatty(STANDARD_OUTPUT):
        # file names may hold what the encoding has no code for
        sys.stdout.reconfigure(errors="backslashreplace")
        outlet = None
    else:
        sys.stdout, outlet = _outlet(STANDARD_OUTPUT, sys.stdout, line_buffering=False)
    if sys.stderr is None or not os.isatty(STANDARD_ERROR):
        sys.stderr, _ = _outlet(STANDARD_ERROR, sys.stderr, line_buffering=True)
    return outlet


def lead_to_null(descriptor: int) -> None:
    """Leads a descriptor to the null device."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, descriptor)
    os.close(nowhere)


def _outlet(descriptor: int, before: TextIO | None, *, line_buffering: bool) -> tuple[TextIO, Outlet]:
    if before is not None:
        with contextlib.suppress(OSError, ValueError):
            before.flush()
    raw = Outlet(descriptor)
    encoding = before.encoding if before is not None and _asked() else "utf-8"
    text = io.TextIOWrapper(
        io.BufferedWriter(cast("io.RawIOBase", raw)),
        encoding=encoding,
        errors="backslashreplace",
        newline="\n",
        line_buffering=line_buffering,
    )
    return text, raw


def _asked() -> bool:
    return bool(os.environ.get("PYTHONIOENCODING"))


def _take(descriptor: int, how: int) -> None:
    """Leads a descriptor to the null device that is closed, or open in the wrong direction. Those below it
    are open, so that the system gives out this one. Workers inherit it."""
    try:
        os.fstat(descriptor)
        if not _opposed(descriptor, how):
            return
        lead_to_null(descriptor)
    except OSError:
        opened = os.open(os.devnull, how)
        if opened != descriptor:
            os.dup2(opened, descriptor)
            os.close(opened)
    os.set_inheritable(descriptor, True)


def _opposed(descriptor: int, how: int) -> bool:
    """True for a descriptor that is open only for the other direction."""
    try:
        import fcntl
    except ImportError:  # pragma: no cover - not on POSIX: writing says so
        return False
    mode = fcntl.fcntl(descriptor, fcntl.F_GETFL) & (os.O_RDONLY | os.O_WRONLY | os.O_RDWR)
    return mode not in (how, os.O_RDWR)


LARGEST_BYTES = 1_000_000


@contextlib.contextmanager
def native_messages_logged(log: Path) -> Iterator[Path | None]:
    """Descriptor 2 leads to `log` (kept from session to session up to a size) inside the block; yields the
    path, or None where that cannot be written and the messages are dropped. An error raised out of the block
    is printed: the descriptor is restored by then."""
    try:
        log.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        large = log.exists() and log.stat().st_size > LARGEST_BYTES
        target = open_to_write(log, os.O_TRUNC if large else os.O_APPEND)
        found: Path | None = log
    except OSError:
        target, found = os.open(os.devnull, os.O_WRONLY), None
    try:
        before = os.dup(STANDARD_ERROR)
    except OSError:  # there is no standard error at all
        os.close(target)
        yield found
        return
    _flush()
    os.dup2(target, STANDARD_ERROR)
    os.close(target)
    try:
        yield found
    finally:
        _flush()
        os.dup2(before, STANDARD_ERROR)
        os.close(before)


def _flush() -> None:
    with contextlib.suppress(OSError, ValueError):
        if sys.stderr is not None:
            sys.stderr.flush()
