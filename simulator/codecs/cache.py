"""Cache of encoded masters: files in the cache folder, the oldest removed when there are many.

They are only a cache: a file that is gone, cut short or otherwise not what was put there is dropped and made
again. A name is the hash of what the encoding depends on, the number of frames that went in, and the hash of
both and of the file's bytes, by which it is known again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import stat
from pathlib import Path

from simulator.common.errors import WriteError
from simulator.storage.writing import whole_file

MOST_BYTES = 2_000_000_000
_PIECE_BYTES = 1 << 20


def find(folder: Path, key: str) -> tuple[Path, int] | None:
    """The encoded file and its frames, marked as used now; None where there is none that is whole."""
    try:
        for path in folder.glob(f"{_name(key)}-*"):
            parts = re.fullmatch(r"[0-9]{1,15}-[0-9a-f]{32}", path.stem.partition("-")[2])
            if parts is not None:
                frames, told = parts[0].split("-")
                if _digest(path, key, int(frames)) == told:
                    os.utime(path)
                    return path, int(frames)
            drop(path)
    except OSError:
        pass
    return None


def keep(folder: Path, key: str, encoded: Path, frames: int) -> None:
    """Copies an encoded file into the cache, whole or not at all; does nothing where it cannot."""
    try:
        told = _digest(encoded, key, frames)
        target = folder / f"{_name(key)}-{frames}-{told}{encoded.suffix}"
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with whole_file(target, force=True) as passing:
            shutil.copyfile(encoded, passing)
        for other in folder.glob(f"{_name(key)}-*"):
            if other != target:  # encoders number their streams by chance: two runs at once make two files
                drop(other)
        _trim(folder)
    except (OSError, WriteError):
        return


def drop(path: Path) -> None:
    """Takes an entry away; does nothing where it cannot."""
    with contextlib.suppress(OSError):
        path.unlink()


def _digest(path: Path, key: str, frames: int) -> str:
    """The hash of an entry; "" for what is no ordinary file, or larger than the whole cache."""
    found = os.lstat(path)
    if not stat.S_ISREG(found.st_mode) or found.st_size > MOST_BYTES:
        return ""
    digest = hashlib.sha256(f"{frames}\n{key}\n".encode())
    with open(path, "rb") as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
    return digest.hexdigest()[:32]


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
