"""The rules of Windows for descriptors, laid over this system's, so that breaking them shows here.

By the documentation of the C runtime's `_open`, `_write` and `_commit` (from memory): without O_BINARY a
descriptor is in text mode, in which 0x0A is written as 0x0D 0x0A and read back as 0x0A; `_commit` fails with
EBADF where the descriptor is open to read only.
"""

from __future__ import annotations

import errno
import fcntl
import os
from typing import Any

import pytest

O_BINARY = 0x8000
MISSING = ("posix_fallocate", "nice", "setsid", "sched_getaffinity", "O_NONBLOCK")


def lay_over(patch: pytest.MonkeyPatch) -> None:
    """From now on os.open, os.write, os.read and os.fsync keep to those rules."""
    real_open, real_write, real_read, real_close, real_fsync = os.open, os.write, os.read, os.close, os.fsync
    text: set[int] = set()

    def opened(path: Any, flags: int, *more: Any, **named: Any) -> int:
        descriptor = real_open(path, flags & ~O_BINARY, *more, **named)
        text.discard(descriptor)
        if not flags & O_BINARY:
            text.add(descriptor)
        return descriptor

    def write(descriptor: int, data: Any) -> int:
        if descriptor not in text:
            return real_write(descriptor, data)
        real_write(descriptor, bytes(data).replace(b"\n", b"\r\n"))
        return len(bytes(data))

    def read(descriptor: int, count: int) -> bytes:
        found = real_read(descriptor, count)
        return found.replace(b"\r\n", b"\n") if descriptor in text else found

    def close(descriptor: int) -> None:
        text.discard(descriptor)
        real_close(descriptor)

    def fsync(descriptor: int) -> None:
        if fcntl.fcntl(descriptor, fcntl.F_GETFL) & (os.O_WRONLY | os.O_RDWR) == 0:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        real_fsync(descriptor)

    for name, stand_in in (("open", opened), ("write", write), ("read", read), ("close", close)):
        patch.setattr(os, name, stand_in)
    patch.setattr(os, "fsync", fsync)
    patch.setattr(os, "O_BINARY", O_BINARY, raising=False)
    for name in MISSING:
        patch.delattr(os, name, raising=False)
