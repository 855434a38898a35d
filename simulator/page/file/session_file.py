"""Session file of a page, and how its ballots and votes get into it.

The same session file as the desk's (`storage/session_file`): beside the playlist, or for bare files in the
user's data folder. What is put in here is read back: a vote that is said to be kept is on the disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from simulator.common.errors import UsageError, WriteError
from simulator.engine.playlists import is_playlist_name
from simulator.playlists.playlist import PLAYLIST_EXTENSIONS
from simulator.session.log import Act, Record, from_json, to_json
from simulator.storage.session_file import SUFFIX, RecordFile, record_path
from simulator.storage.small_files import LARGEST_RECORD_BYTES, read_small
from simulator.storage.writing import lock_path


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
