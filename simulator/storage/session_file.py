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
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from simulator.common.errors import SimulatorError, UsageError, WriteError
from simulator.common.text import as_utf8
from simulator.delivery.finding import Decided
from simulator.playlists.playlist import PLAYLIST_EXTENSIONS, Track, is_playlist_name
from simulator.session.log import Act, Record, from_json, merged, missing, to_json
from simulator.session.state import FIRST_TRIM_DB, LOWEST_TRIM_DB
from simulator.storage.folders import user_data_folder
from simulator.storage.lock import acquire_lock, lock_path, real_path, release_lock
from simulator.storage.small_files import (
    LARGEST_RECORD_BYTES,
    MEBIBYTE,
    Stamp,
    read_named,
    read_small,
    stamp_of,
)
from simulator.storage.writing import cut_to_bytes, make_folder, whole_file

SUFFIX = ".session.json"
PRIVATE = 0o600
"""Mode of a new session file, which holds what was said in the room."""
_ADDED = r"(?:[ ._-]?\(\d+\)|\.(?:desk|new)\d+|[ ._-]+\(?[^/]*(?:conflict|copy)[^/]*)?"
"""What a copy's name adds: a number in brackets, that of a second session, or the words of a conflict
copy."""
BY_ITSELF = ("material", "player", "opened")
"""Acts that the session adds by itself, so that a failure to save one needs no warning of its own."""


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
    """A session's record and its file. `keep` adds an act and writes. Where writing fails, each act warns,
    the acts stay in memory, and all are written with the next one that can be; `rescue` is for the end."""

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
        """Adds an act; on the disk when this returns, if the disk allows it. One that JSON cannot hold (a
        NaN) is left out with a warning, so that the others can still be written."""
        if stamp_of(str(self.path)) != self._stamp:  # another machine has written, by a shared folder
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
        """By name, other session files of this playlist with acts that this one does not have: those of a
        second session, and the conflict copies of a synchronised folder. They are only read."""
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
        """Adds the acts of a copy, by their times; on the disk when this returns, if the disk allows it."""
        self.unsaved = (*self.unsaved, *missing(self.record, other))
        self.record = merged(self.record, other)
        self._write(to_json(self.record), "merge")

    def _write(self, data: bytes, kind: str) -> None:
        try:
            with whole_file(real_path(self.path), True, PRIVATE) as passing, open(passing, "wb") as file:
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
        """Saves the whole record under another name in `folder`; None where that fails too."""
        stem = cut_to_bytes(as_utf8(self.path.name.removesuffix(SUFFIX)).replace("\\", "_"), 150)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            place = _free_name(folder / f"{stem}{SUFFIX}", "unsaved")
            with whole_file(place, False, PRIVATE) as passing:
                passing.write_bytes(to_json(self.record))
        except (OSError, SimulatorError):
            return None
        return place

    def close(self) -> None:
        """Releases the lock."""
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
        """The path itself, or another where a second session holds it."""
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
    """True for `named` with what a second session or a synchronised folder adds to it."""
    stem = re.escape(named.removesuffix(SUFFIX))
    return re.fullmatch(rf"{stem}{_ADDED}\.session{_ADDED}\.json", name, re.IGNORECASE) is not None


def _beside(path: Path) -> Path:
    """A free name beside a session file that cannot be read."""
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
    """The session file of these inputs, whether or not it exists; `files` are its tracks."""
    if len(inputs) == 1 and is_record(inputs[0]):
        return Path(inputs[0])
    playlist = Path(inputs[0]) if len(inputs) == 1 and is_playlist_name(inputs[0]) else None
    return record_path(playlist, files)


def read_record(path: Path) -> Record | None:
    """The record in a session file; None where it does not exist. Raises UsageError for any other file, which
    is left as it is."""
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
    """The session files that an answer may belong to: beside it, here, and in the user's data folder."""
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
    """The trim in dB that a session starts with: the remembered one, up to FIRST_TRIM_DB, which is also the
    answer where nothing is remembered."""
    found = _read(folder / NAME)
    if found is None or found.format != FORMAT or not math.isfinite(found.trim_db):
        return FIRST_TRIM_DB
    return min(max(found.trim_db, LOWEST_TRIM_DB), FIRST_TRIM_DB)


def remember_trim(folder: Path, trim_db: float) -> bool:
    """Keeps the trim for the next session; False where that is not possible, or the file has a newer
    format."""
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


DECISION = "decision"
"""The kind of act that is a decision: `destination` (words), `target_lufs` and `ceiling_dbtp` (numbers, or
null), and beside them who and why. The last one counts, or the last one for a destination that is named."""
_RANGES = {"target_lufs": (-60.0, 0.0), "ceiling_dbtp": (-40.0, 6.0)}
"""What `check --target` and `--ceiling` take too."""


@dataclass(frozen=True, slots=True)
class Decisions:
    """The decisions of a session file, and the destination that counts where none is named (empty: the last
    decision of all)."""

    path: str
    acts: tuple[Act, ...]
    destination: str = ""

    def of(self, destination: str | None = None) -> Decided:
        """The last decision for a destination (its name, or how the name begins; case does not matter).
        Raises UsageError where there is none, or where it decides nothing measurable."""
        name = self.destination if destination is None else destination
        wanted = name.strip().casefold()
        named = [str(act.data.get("destination") or "") for act in self.acts]
        pairs = list(zip(self.acts, named, strict=True))
        fitting = [act for act, one in pairs if not wanted or one.casefold() == wanted]
        fitting = fitting or [act for act, one in pairs if one.casefold().startswith(wanted)]
        if not fitting:
            known = ", ".join(dict.fromkeys(filter(None, named))) or "nothing named"
            raise UsageError(f"{self.path}: no decision for “{name}”.", f"It holds decisions for: {known}.")
        return _decided(self.path, fitting[-1])

    def of_each(self, tracks: Iterable[Track]) -> list[Decided]:
        """For each track the decision that its playlist names, else the one that counts for all. Raises
        UsageError as `of` does."""
        return [self.of(track.decision) for track in tracks]


def read_decisions(word: str) -> Decisions:
    """Those of the session file that `word` names, as FILE or FILE:DESTINATION. Raises UsageError for a file
    that is no session file or holds no decision."""
    path, _, destination = (word, "", "") if os.path.exists(word) else word.rpartition(":")
    path = path or word
    data = read_named(path, LARGEST_RECORD_BYTES, "the session file", UsageError)
    try:
        record = from_json(data)
    except UsageError as problem:
        problem.message = f"{path}: {problem.message}"
        raise
    acts = record.of_kind(DECISION)
    if not acts:
        raise UsageError(
            f"{path}: this session file contains no decision.",
            "Decide in the session first, or use --target and --ceiling.",
        )
    return Decisions(path, acts, destination)


def _decided(path: str, last: Act) -> Decided:
    target, ceiling = (_number(path, last.data, key) for key in ("target_lufs", "ceiling_dbtp"))
    if target is None and ceiling is None:
        raise UsageError(
            f"{path}: its last decision sets neither loudness nor ceiling.", "Use --target and --ceiling."
        )
    destination, who, why = (
        value if isinstance(value := last.data.get(key), str) else "" for key in ("destination", "who", "why")
    )
    return Decided(target, ceiling, destination, f"on {last.at[:10]}", who=who, why=why)


def _number(path: str, data: dict[str, Any], key: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{path}: {key} of the last decision is {value!r}, not a number.", "Decide again.")
    low, high = _RANGES[key]
    if not low <= value <= high:
        raise UsageError(
            f"{path}: {key} of the last decision is outside {low:g} to {high:g}.", "Decide again."
        )
    return float(value)
