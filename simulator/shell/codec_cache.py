"""Which masters are already encoded? Files in the cache folder, the oldest removed when there are many.

They are only a cache: a file that is gone is made again. A name is the hash of what the encoding depends on,
and the number of frames that went in.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
from pathlib import Path

MOST_BYTES = 2_000_000_000


def find(folder: Path, key: str) -> tuple[Path, int] | None:
    """The encoded file and its frames, marked as used now; None where there is none."""
    try:
        for path in folder.glob(f"{_name(key)}-*"):
            frames = path.stem.partition("-")[2]
            if frames.isdigit():
                os.utime(path)
                return path, int(frames)
    except OSError:
        pass
    return None


def keep(folder: Path, key: str, encoded: Path, frames: int) -> None:
    """Copies an encoded file into the cache, whole or not at all; does nothing where it cannot."""
    target = folder / f"{_name(key)}-{frames}{encoded.suffix}"
    passing = folder / f".{target.name}.{os.getpid()}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            shutil.copyfile(encoded, passing)
            os.replace(passing, target)
        finally:
            with contextlib.suppress(OSError):
                os.remove(passing)
        _trim(folder)
    except OSError:
        return


def _trim(folder: Path) -> None:
    found = sorted((status.st_mtime, status.st_size, path) for path, status in _files(folder))
    whole = sum(size for _, size, _ in found)
    for _, size, path in found[:-1]:
        if whole <= MOST_BYTES:
            return
        path.unlink(missing_ok=True)
        whole -= size


def _files(folder: Path) -> list[tuple[Path, os.stat_result]]:
    return [(path, path.stat()) for path in folder.iterdir() if not path.name.startswith(".")]


def _name(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()[:40]
