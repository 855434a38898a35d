"""Measurement cache: one SQLite file in the user's cache folder, and what else that folder holds.

(path, size, modification time, inode) leads to a content hash, the hash and the settings to a measurement, so
a renamed or copied file is known too; two hashes lead to what was found between two versions. Entries are
packed as data (not pickle) and checked when read. Processes may share the file (WAL). A damaged file, or one
of a newer format, is set aside; where it cannot be written there is one warning and no cache. All of the
folder can be made again; clearing it leaves the scratch space of running sessions alone.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import numpy as np

from simulator.audibility.audibility import Audibility
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import (
    METHOD,
    WARNINGS,
    ClippedRun,
    Measurement,
    OverEvent,
    Series,
    Warning_,
)
from simulator.storage.small_files import stamp_of


class _Form(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Measurement with its arrays as bytes."""

    scalars: dict[str, float | int | bool | None]
    dc_offset: tuple[float, ...]
    overs: tuple[tuple[float, float, float], ...]
    clipped_runs: tuple[tuple[float, int, int, float], ...]
    warnings: tuple[tuple[str, str], ...]
    energy: bytes
    true_peak: bytes
    limiter: tuple[float, float, float] | None = None


_COMPOUND = ("dc_offset", "overs", "clipped_runs", "warnings", "series")
_SCALARS = tuple(field.name for field in fields(Measurement) if field.name not in _COMPOUND)


def pack(measurement: Measurement, limiter: LimiterReport | None = None) -> bytes:
    """The bytes to keep; with what the limiter did, for a measurement of a chain's output."""
    form = _Form(
        scalars={name: getattr(measurement, name) for name in _SCALARS},
        dc_offset=measurement.dc_offset,
        overs=tuple((over.start_s, over.end_s, over.peak_dbtp) for over in measurement.overs),
        clipped_runs=tuple(
            (run.start_s, run.length_frames, run.channel, run.level_dbfs) for run in measurement.clipped_runs
        ),
        warnings=tuple((note.code, note.text) for note in measurement.warnings),
        energy=measurement.series.energy.astype("<f8").tobytes(),
        true_peak=measurement.series.true_peak.astype("<f4").tobytes(),
        limiter=None
        if limiter is None
        else (limiter.max_reduction_db, limiter.mean_reduction_db, limiter.share_over_1_db),
    )
    return msgspec.msgpack.encode(form)


def unpack(data: bytes) -> tuple[Measurement, LimiterReport | None]:
    """What `pack` packed. Raises ValueError where the bytes are not that."""
    try:
        form = msgspec.msgpack.decode(data, type=_Form)
        scalars: dict[str, Any] = form.scalars
        if set(scalars) != set(_SCALARS):
            raise ValueError("other fields")
        if not all(math.isfinite(scalar) for scalar in scalars.values() if scalar is not None):
            raise ValueError("a figure that is not a number")
        measurement = Measurement(
            **scalars,
            dc_offset=form.dc_offset,
            overs=tuple(OverEvent(*over) for over in form.overs),
            clipped_runs=tuple(ClippedRun(*run) for run in form.clipped_runs),
            warnings=tuple(WARNINGS.get(code, Warning_(code, text)) for code, text in form.warnings),
            series=Series(
                np.frombuffer(form.energy, "<f8").astype(np.float64),
                np.frombuffer(form.true_peak, "<f4").astype(np.float32),
            ),
        )
    except (msgspec.MsgspecError, UnicodeDecodeError, TypeError) as problem:
        raise ValueError(str(problem)) from None
    energy, true_peak = measurement.series.energy, measurement.series.true_peak
    if energy.shape != true_peak.shape or not (np.isfinite(energy).all() and np.isfinite(true_peak).all()):
        raise ValueError("malformed series")
    limiter = None if form.limiter is None else LimiterReport(*form.limiter)
    return measurement, limiter


Pair = TypeVar("Pair", Alignment, Difference, Audibility)


def unpack_pair(data: bytes, kind: type[Pair]) -> Pair:
    """What was found between two versions. Raises ValueError where the bytes are not that."""
    try:
        return msgspec.msgpack.decode(data, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError) as problem:
        raise ValueError(str(problem)) from None


FORMAT = 1
ENCODED = "encoded"
"""The folder of encoded masters within the cache's."""
YOUNG_SECONDS = 2.0
"""Age of a file below which it may still change without a new time stamp."""
_BUSY_SECONDS = 5.0
_TABLES = """
CREATE TABLE IF NOT EXISTS file
 (path BLOB PRIMARY KEY, size INTEGER, mtime_ns INTEGER, inode INTEGER, content TEXT);
CREATE TABLE IF NOT EXISTS result (content TEXT, settings TEXT, data BLOB, PRIMARY KEY (content, settings));
CREATE TABLE IF NOT EXISTS pair
 (first TEXT, second TEXT, settings TEXT, data BLOB, PRIMARY KEY (first, second, settings));
"""


class Store:
    """The cache; without one (folder None, or unusable) every call returns None or does nothing."""

    def __init__(
        self,
        folder: Path | None,
        warn: Callable[[str], None],
        *,
        rehash: bool = False,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._warn, self._clock, self._rehash = warn, clock, rehash
        self._decoded: set[tuple[bytes, int, int, int]] = set()
        self.encoded_folder = None if folder is None else folder / ENCODED
        self._database = None if folder is None else self._open(folder)

    def _open(self, folder: Path) -> sqlite3.Connection | None:
        path = folder / "measurements.sqlite"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            try:
                return _connect(path)
            except (sqlite3.DatabaseError, ValueError) as problem:
                if isinstance(problem, sqlite3.OperationalError):  # locked, read-only, no space
                    raise
                aside = folder / f"measurements.set-aside-{time.time_ns()}.sqlite"
                os.replace(path, aside)
                for suffix in ("-wal", "-shm"):
                    with contextlib.suppress(OSError):
                        os.remove(f"{path}{suffix}")
                self._warn(
                    f"The cache was unreadable ({problem}); it was set aside as {aside}, "
                    "and a new one started."
                )
                return _connect(path)
        except (OSError, sqlite3.Error) as problem:
            self._warn(f"No cache: {folder} cannot be used ({problem}). Files are re-measured each time.")
            return None

    def content_of(self, path: str) -> str | None:
        """The content hash of a file that has not changed since it was read."""
        key = _file_key(path)
        if key is None or self._database is None or self._rehash:
            return None
        rows = self._do(
            "SELECT content FROM file WHERE path = ? AND size = ? AND mtime_ns = ? AND inode = ?", *key
        )
        return str(rows[0][0]) if rows else None

    def keep_content(self, path: str, content: str) -> None:
        """Remembers the content of a file, unless it is too young to be trusted."""
        key = _file_key(path)
        if key is not None:
            self._decoded.add(key)
        if key is not None and self._clock() - key[2] / 1e9 >= YOUNG_SECONDS:
            self._do("INSERT OR REPLACE INTO file VALUES (?, ?, ?, ?, ?)", *key, content)

    def was_decoded(self, path: str) -> bool:
        """True for an unchanged file that has been decoded to its end before: no decoder crashes on it."""
        return _file_key(path) in self._decoded or self.content_of(path) is not None

    def find(self, content: str, settings: str) -> tuple[Measurement, LimiterReport | None] | None:
        """The measurement of that content under these settings."""
        rows = self._do(
            "SELECT data FROM result WHERE content = ? AND settings = ?", content, _with_method(settings)
        )
        if not rows:
            return None
        try:
            data = rows[0][0]
            return unpack(data) if isinstance(data, bytes) else None
        except (ValueError, TypeError):
            return None  # measured again, and written over

    def keep(
        self, content: str, settings: str, measurement: Measurement, limiter: LimiterReport | None = None
    ) -> None:
        self._do(
            "INSERT OR REPLACE INTO result VALUES (?, ?, ?)",
            content,
            _with_method(settings),
            pack(measurement, limiter),
        )

    def find_pair(self, first: str, second: str, settings: str, kind: type[Pair]) -> Pair | None:
        """What was kept of that kind for these two contents, in this order, under these settings."""
        rows = self._do(
            "SELECT data FROM pair WHERE first = ? AND second = ? AND settings = ?", first, second, settings
        )
        data = rows[0][0] if rows else None
        try:
            return unpack_pair(data, kind) if isinstance(data, bytes) else None
        except ValueError:
            return None  # found again, and written over

    def keep_pair(
        self, first: str, second: str, settings: str, found: Alignment | Difference | Audibility
    ) -> None:
        data = msgspec.msgpack.encode(found)
        self._do("INSERT OR REPLACE INTO pair VALUES (?, ?, ?, ?)", first, second, settings, data)

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        if self._database is not None:
            self._database.close()
            self._database = None

    def _do(self, statement: str, *values: object) -> list[tuple[object, ...]]:
        if self._database is None:
            return []
        try:
            with self._database:
                return self._database.execute(statement, values).fetchall()
        except sqlite3.Error as problem:
            self._warn(f"The cache failed ({problem}); continuing without it.")
            self.close()
            return []


def _file_key(path: str) -> tuple[bytes, int, int, int] | None:
    stamp = stamp_of(path)
    if stamp is None:
        return None
    size, mtime_ns, inode = stamp
    return os.fsencode(os.path.abspath(path)), size, mtime_ns, inode % 2**63


def _connect(path: Path) -> sqlite3.Connection:
    """Opens or makes the file; raises ValueError for another format."""
    database = sqlite3.connect(path, timeout=_BUSY_SECONDS)
    try:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = NORMAL")
        version = database.execute("PRAGMA user_version").fetchone()[0]
        if version not in (0, FORMAT):
            raise ValueError(f"format {version}, this program knows {FORMAT}")
        with database:
            database.executescript(_TABLES)
            database.execute(f"PRAGMA user_version = {FORMAT}")
        database.execute("SELECT count(*) FROM file").fetchone()
        if version:
            database.execute("SELECT content, settings, data FROM result LIMIT 1").fetchone()
    except BaseException:
        database.close()
        raise
    os.chmod(path, 0o600)
    return database


def _with_method(settings: str) -> str:
    return f"method {METHOD}; {settings}"


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
                states = [os.lstat(file) for file in files]
                used = max((state.st_mtime for state in states), default=0.0)
                found.append(CacheEntry(part, path, sum(state.st_size for state in states), used))
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


def over_limit(cache_entries: list[CacheEntry], most_bytes: int) -> list[CacheEntry]:
    """The entries to remove, least recently used first, so that the rest is within the limit. Measurements
    are small and go last."""
    total = sum(cache_entry.size for cache_entry in cache_entries)
    chosen = []
    for entry in sorted(cache_entries, key=lambda one: (one.part is CachePart.MEASUREMENTS, one.used)):
        if total <= most_bytes:
            break
        chosen.append(entry)
        total -= entry.size
    return chosen
