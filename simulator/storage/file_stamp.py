"""Stamp of a file, to tell without reading it whether it is still the one that was measured."""

from __future__ import annotations

import os

from simulator.common.errors import AudioError

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
    """True with another file now under this name; False for one that is gone, or without a stamp."""
    now = stamp_of(path)
    return stamp is not None and now is not None and now != stamp


def other_samples(
    path: str, cure: str = "To measure and play the new file: replace NUMBER FILE"
) -> AudioError:
    """The error of a file that was measured, and holds something else now."""
    return AudioError(f"{path} has changed on disk since it was measured.", cure)
