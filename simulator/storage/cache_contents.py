"""Contents of the cache folder: how much each part holds, and their removal.

Everything there can be made again, at the cost of time. Scratch space of a running session is left alone.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from simulator.storage.measurement_cache import ENCODED

MEGABYTE = 1_000_000


class CachePart(StrEnum):
    """A part of the cache that can be cleared by itself."""

    MEASUREMENTS = "measurements"
    ENCODED = "encoded"
    DEMO = "demo"


_PATTERNS = {
    CachePart.MEASUREMENTS: "measurements*.sqlite*",
    CachePart.ENCODED: f"{ENCODED}/*",
    CachePart.DEMO: "demo/*",
}
HOLDS = {
    CachePart.MEASUREMENTS: "measurements and alignments of files",
    CachePart.ENCODED: "masters as the codecs encoded them",
    CachePart.DEMO: "the demo's music, and what it rendered",
}


@dataclass(frozen=True, slots=True)
class CacheEntry:
    """A file, or a folder that is only of use whole; size in bytes, last use as a POSIX time."""

    part: CachePart
    path: Path
    size: int
    used: float


def entries(folder: Path) -> list[CacheEntry]:
    """All that the cache holds; what vanishes while it is listed is not in it."""
    found = []
    for part, pattern in _PATTERNS.items():
        for path in sorted(folder.glob(pattern)):
            with contextlib.suppress(OSError):
                files = [one for one in path.rglob("*") if one.is_file()] if path.is_dir() else [path]
                states = [os.lstat(one) for one in files]
                used = max((one.st_mtime for one in states), default=0.0)
                found.append(CacheEntry(part, path, sum(one.st_size for one in states), used))
    return found


def remove(chosen: list[CacheEntry]) -> int:
    """Removes entries; returns the bytes freed. What cannot be removed stays, and is not counted."""
    freed = 0
    for entry in chosen:
        with contextlib.suppress(OSError):
            if entry.path.is_dir():
                shutil.rmtree(entry.path)
            else:
                entry.path.unlink()
            freed += entry.size
    return freed


def over_limit(found: list[CacheEntry], most_bytes: int) -> list[CacheEntry]:
    """The entries to remove, least recently used first, so that the rest is within the limit. Measurements
    are small and go last."""
    total = sum(one.size for one in found)
    chosen = []
    for entry in sorted(found, key=lambda one: (one.part is CachePart.MEASUREMENTS, one.used)):
        if total <= most_bytes:
            break
        chosen.append(entry)
        total -= entry.size
    return chosen
