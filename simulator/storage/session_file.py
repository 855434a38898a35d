"""Session file: one JSON file, written whole after each act.

Beside the playlist as NAME.session.json; for bare files in the user's data folder. A damaged or newer file is
set aside under another name, never overwritten. A lock tells a second session that the first is open; the
second then keeps its acts in a session file of its own. What `add_act` puts in is read back: a vote or a
comment that is said to be saved is on the disk.

The monitor trim goes from one session to the next, in one small JSON file in the user's configuration folder.
A damaged or newer one is left as it is, and the default holds.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import re
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

import msgspec

from simulator.common.errors import SimulatorError, UsageError, WriteError
from simulator.common.text import as_utf8
from simulator.playlists.playlist import PLAYLIST_EXTENSIONS, is_playlist_name
from simulator.session.log import Act, Record, from_json, merged, missing, to_json
from simulator.session.state import FIRST_TRIM_DB, LOWEST_TRIM_DB
from simulator.storage.folders import user_data_folder
from simulator.storage.small_files import BINARY, LARGEST_RECORD_BYTES, MEBIBYTE, Stamp, read_small, stamp_of
from simulator.storage.writing import (
    acquire_lock,
    cut_to_bytes,
    lock_path,
    make_folder,
    real_path,
    release_lock,
    whole_file,
)

SUFFIX = ".session.json"
PRIVATE = 0o600
_ADDED = r"(?:[ ._-]?\(\d+\)|\.(?:desk|new)\d+|[ ._-]+\(?[^/]*(?:conflict|copy)[^/]*)?"
"""What a copy's name has more: a number in brackets, a second desk's, or the words of a conflict copy."""
BY_ITSELF = ("material", "player", "opened")
"""Acts of the session's own, of which nobody waits to hear that they were saved."""


def now() -> str:
    """This moment as acts are dated: ISO 8601 in whole seconds, with the offset to UTC."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def record_path(playlist: Path | None, files: Sequence[str]) -> Path:
    """Beside the playlist; for bare files in the data folder, by their names."""
    if playlist is not None:
        return playlist.with_name(playlist.name.removesuffix(playlist.suffix) + SUFFIX)
    folder = sessions_folder()
    known = hashlib.sha256(b"\0".join(os.fsencode(os.path.abspath(file)) for file in files)).hexdigest()[:12]
    first = as_utf8(Path(files[0]).stem[:40]).replace("\\", "_") if files else "session"
    return folder / f"{first}-{known}{SUFFIX}"


def sessions_folder() -> Path:
    """In the user's data folder: the records of bare files, and copies of those that cannot be written."""
    return user_data_folder() / "sessions"


class RecordFile:
    """A record and its file. `keep` adds an act and writes. Where writing fails it is said at each act, the
    acts go on in memory, and they are written with the next one that can be; `rescue` is for the end."""

    def __init__(self, path: Path, warn: Callable[[str], None], title: str = "") -> None:
        self.path, self._warn, self._named = path, warn, path.name
        self.record = Record(title)
        self._lock: Path | None = None
        self._failed = False
        self._stamp: Stamp | None = None
        self.unsaved: tuple[Act, ...] = ()
        """The acts that are only in memory."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            self._fail(problem)
            return
        self.path = self._free_path()
        self.record = self._read(title)

    def keep(self, act: Act) -> None:
        """Adds an act; on the disk when this returns, if the disk allows it. One that has no form there (a
        number that is none) is left out, so that the others can still be written, and that is said."""
        if stamp_of(str(self.path)) != self._stamp:  # another machine has written, by a folder in both
            self.record = merged(self.record, self._read(self.record.title))
        longer = self.record.with_act(act)
        try:
            data = to_json(longer)
        except (TypeError, ValueError) as problem:
            self._warn(
                f"One entry ({act.kind}) cannot be stored in the session file ({problem}) and was dropped."
            )
            return
        self.record = longer
        self.unsaved = (*self.unsaved, longer.acts[-1])
        self._write(data, act.kind)

    def copies(self) -> dict[str, Record]:
        """Other session files of this list that hold what this one has not, by name: those of a second desk
        and the conflict copies of a synchronised folder. They are only read."""
        found = {}
        for path in sorted(self.path.parent.glob("*.json")):
            if path == self.path or not _is_copy(path.name, self._named):
                continue
            with contextlib.suppress(OSError, UsageError):
                other = from_json(read_small(path, LARGEST_RECORD_BYTES))
                if missing(self.record, other):
                    found[path.name] = other
        return found

    def merge(self, other: Record) -> None:
        """Takes in the acts of a copy, by their times; on the disk when this returns, if the disk allows
        it."""
        self.unsaved = (*self.unsaved, *missing(self.record, other))
        self.record = merged(self.record, other)
        self._write(to_json(self.record), "merge")

    def _write(self, data: bytes, kind: str) -> None:
        try:
            with _whole(self.path) as passing, open(passing, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except (OSError, SimulatorError) as problem:
            self._fail(problem, kind)
        else:
            if self._failed:
                self._warn(f"{self.path} is writable again: everything is saved.")
            self._failed, self.unsaved, self._stamp = False, (), stamp_of(str(self.path))

    @property
    def kept(self) -> bool:
        """True with everything saved on the disk."""
        return bool(self.record.acts) and not self.unsaved

    def rescue(self, folder: Path) -> Path | None:
        """Saves the whole record under a name of its own in `folder`; None where that fails too."""
        stem = cut_to_bytes(as_utf8(self.path.name.removesuffix(SUFFIX)).replace("\\", "_"), 150)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            place = _free_name(folder / f"{stem}{SUFFIX}", "unsaved")
            with whole_file(place, False) as passing, open(passing, "xb", opener=_private) as file:
                file.write(to_json(self.record))
        except (OSError, SimulatorError):
            return None
        return place

    def close(self) -> None:
        """Takes the lock away."""
        if self._lock is not None:
            release_lock(self._lock)
            self._lock = None

    def _read(self, title: str) -> Record:
        self._stamp = stamp_of(str(self.path))
        try:
            data = read_small(self.path, LARGEST_RECORD_BYTES)
        except FileNotFoundError:
            return Record(title)
        except OSError as problem:
            kept = self.path
            self.path = _beside(kept)
            self._warn(
                f"{kept} cannot be read ({problem.strerror}) and is left untouched; see {self.path.name}."
            )
            return Record(title)
        try:
            return from_json(data)
        except UsageError as problem:
            kept, aside = self.path, _free_name(self.path, "set-aside")
            try:
                os.replace(kept, aside)
            except OSError as refusal:  # the folder cannot be written
                self.path = _beside(kept)
                self._warn(f"{kept}: {problem.message} It cannot be set aside ({refusal.strerror}).")
                return Record(title)
            self._warn(f"{kept}: {problem.message} It was set aside as {aside.name}, and a new one started.")
            return Record(title)

    def _free_path(self) -> Path:
        """The path itself, or one of its own where another desk holds it."""
        path = self.path
        for number in range(2, 100):
            lock = lock_path(path)
            if acquire_lock(lock):
                self._lock = lock
                break
            path = self.path.with_name(f"{self.path.name.removesuffix(SUFFIX)}.desk{number}{SUFFIX}")
        if path != self.path:
            self._warn(
                f"{self.path} is open in another session; this one saves to {path.name}. (If no other "
                f"session is open, quit, remove {lock_path(self.path)} and open it again.)"
            )
        return path

    def _fail(self, problem: Exception, kind: str = "") -> None:
        if not self._failed:
            reason = problem.message if isinstance(problem, SimulatorError) else str(problem)
            self._warn(
                f"Not saved: cannot write the session file ({reason.rstrip('.')}). Notes stay in memory only "
                "until it can be written."
            )
        elif kind not in BY_ITSELF:
            self._warn(f"Still not saved. In memory only: {len(self.unsaved)}.")
        self._failed = True


def _is_copy(name: str, named: str) -> bool:
    """True for a name that is `named` but for what a second desk or a synchronised folder adds to it."""
    stem = re.escape(named.removesuffix(SUFFIX))
    return re.fullmatch(rf"{stem}{_ADDED}\.session{_ADDED}\.json", name, re.IGNORECASE) is not None


def _whole(path: Path) -> contextlib.AbstractContextManager[Path]:
    """The passing file of a session file, which holds what was said in the room: a new one is readable to
    its owner alone."""
    return whole_file(real_path(path), True, PRIVATE)


def _private(path: str, flags: int) -> int:
    """For open: a file for this user alone."""
    return os.open(path, flags | BINARY, 0o600)


def _beside(path: Path) -> Path:
    """A record of its own beside one that cannot be read."""
    stem = path.name.removesuffix(SUFFIX)
    for number in range(2, 10_000):
        free = path.with_name(f"{stem}.new{number}{SUFFIX}")
        if not os.path.lexists(free):
            return free
    raise UsageError(f"{path}: too many session files beside it.", "Move or delete them.")


def _free_name(path: Path, word: str) -> Path:
    for number in range(1, 10_000):
        free = path.with_name(f"{path.name}.{word}-{number}")
        if not free.exists():
            return free
    raise UsageError(f"{path}: too many set-aside files beside it.", "Move or delete them.")


def is_record(word: str) -> bool:
    """True where the word is the name of a session file."""
    return word.endswith(SUFFIX)


def playlist_of(record: Path) -> Path:
    """The playlist beside a record. Raises UsageError where there is none."""
    stem = record.name.removesuffix(SUFFIX)
    for ending in PLAYLIST_EXTENSIONS:
        playlist = record.with_name(f"{stem}.{ending}")
        if playlist.is_file():
            return playlist
    raise UsageError(
        f"{record}: there is no playlist of that name beside it.",
        f"Give the playlist itself, or put it back as {stem}.toml.",
    )


def record_of(inputs: Sequence[str], files: Sequence[str]) -> Path:
    """Where the record of these inputs lies, whether or not it is there yet; `files` are its tracks."""
    if len(inputs) == 1 and is_record(inputs[0]):
        return Path(inputs[0])
    playlist = Path(inputs[0]) if len(inputs) == 1 and is_playlist_name(inputs[0]) else None
    return record_path(playlist, files)


def read_record(path: Path) -> Record | None:
    """The record; None where there is none yet. Raises UsageError for what is no record; the file stays
    as it is."""
    try:
        data = read_small(path, LARGEST_RECORD_BYTES)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise UsageError(f"{path}: cannot be read: {problem.strerror}.", "Check the file.") from None
    try:
        return from_json(data)
    except UsageError as problem:
        problem.message = f"{path}: {problem.message}"
        raise


def records_near(file: Path) -> Iterator[Path]:
    """The records that an answer may belong to: beside it, here, and in the user's data folder."""
    seen = set()
    for folder in (file.parent, Path(), record_path(None, []).parent):
        for path in sorted(folder.glob(f"*{SUFFIX}")):
            if path.resolve() not in seen:
                seen.add(path.resolve())
                yield path


def add_act(
    path: Path, title: str, act: Act, warn: Callable[[str], None], *, only_here: bool = False
) -> Path:
    """Adds an act to the record and returns the file that it is in: where a desk has the record open, one of
    its own beside it, or with `only_here` nothing is done. Raises UsageError for that, WriteError where it
    could not be written."""
    lines: list[str] = []
    kept_as = Record(title).with_act(act)
    kept = RecordFile(path, lines.append, title)
    try:
        if only_here and kept.path != path:
            raise UsageError(
                f"{path} is open at a desk.",
                f"Close the desk (quit), and try again. If none is open, remove {lock_path(path)}.",
            )
        kept.keep(act)
        for line in lines:
            warn(line)
        record = read_record(kept.path)
        written = from_json(to_json(kept_as)).acts[0]  # tuples come back as lists
        if record is None or not record.acts or record.acts[-1] != written:
            raise WriteError(
                f"{kept.path}: the session file could not be written.", "Check the folder and the disk."
            )
        return kept.path
    finally:
        kept.close()


FORMAT = 1
NAME = "listening.json"


class _Remembered(msgspec.Struct, frozen=True):
    format: int
    trim_db: float


def starting_trim_db(folder: Path) -> float:
    """The trim in dB that a session starts with: the remembered one, but FIRST_TRIM_DB at most, which is
    also the answer where nothing is remembered."""
    found = _read(folder / NAME)
    if found is None or found.format != FORMAT or not math.isfinite(found.trim_db):
        return FIRST_TRIM_DB
    return min(max(found.trim_db, LOWEST_TRIM_DB), FIRST_TRIM_DB)


def remember_trim(folder: Path, trim_db: float) -> bool:
    """Keeps the trim for the next session; False where that is not possible, or a file of a newer format
    stands there."""
    path = folder / NAME
    found = _read(path)
    if found is None and os.path.lexists(path):
        return False
    if found is not None and found.format != FORMAT:
        return False
    try:
        make_folder(folder)
        with whole_file(path, force=True) as passing:
            passing.write_bytes(msgspec.json.encode(_Remembered(FORMAT, trim_db)) + b"\n")
    except WriteError:
        return False
    return True


def _read(path: Path) -> _Remembered | None:
    """What the file says; None where there is none or it cannot be read."""
    try:
        return msgspec.json.decode(read_small(path, MEBIBYTE), type=_Remembered)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return None
