"""Messages of native libraries go into a log while a prompt is on the screen.

ALSA, PortAudio and decoders write to file descriptor 2 past Python, which would tear the prompt's lines. For
a session the descriptor itself leads to a file in the cache folder, and comes back afterwards.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from simulator.storage.small_files import open_to_write

STANDARD_ERROR = 2
LARGEST_BYTES = 1_000_000


@contextlib.contextmanager
def native_messages_to(log: Path) -> Iterator[Path | None]:
    """Descriptor 2 leads to `log` (kept from session to session up to a size) inside the block; yields the
    path, or None where there is no such file to be had and the messages go nowhere. Python's own errors go
    with them, so whoever raises out of the block is heard: the descriptor is back by then."""
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
