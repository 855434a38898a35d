"""Where is the record that a page belongs to, and how do its ballots and votes get into it?

A playlist's record is NAME.session.json beside it. A page that is made of files or folders has its record
beside the page. Records are replaced whole, in one step.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from simulator.errors import UsageError
from simulator.hearing.record import Act, Record, from_json, to_json
from simulator.shell.writing import whole_file, write_error

ENDING = ".session.json"
PLAYLISTS = (".toml", ".m3u8", ".m3u", ".xspf")


def is_record(word: str) -> bool:
    return word.endswith(ENDING)


def playlist_of(record: Path) -> Path:
    """The playlist beside a record. Raises UsageError where there is none."""
    stem = record.name.removesuffix(ENDING)
    for ending in PLAYLISTS:
        playlist = record.with_name(f"{stem}{ending}")
        if playlist.is_file():
            return playlist
    raise UsageError(
        f"{record}: there is no playlist of that name beside it.",
        f"Name the playlist itself, or put it back as {stem}.toml.",
    )


def record_of(inputs: Sequence[str], page: Path) -> Path:
    """Where the record of a page over these inputs lies, whether or not it is there yet."""
    if len(inputs) == 1:
        only = Path(inputs[0])
        if is_record(inputs[0]):
            return only
        if only.suffix.lower() in PLAYLISTS and only.is_file():
            return only.with_name(f"{only.stem}{ENDING}")
    return page.with_name(f"{page.stem}{ENDING}")


def read_record(path: Path) -> Record | None:
    """The record; None where there is none yet. Raises UsageError for what is no record."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise UsageError(f"{path}: cannot be read: {problem.strerror}.", "Check the file.") from None
    try:
        return from_json(data)
    except UsageError as problem:
        problem.message = f"{path}: {problem.message}"
        raise


def add_acts(path: Path, title: str, acts: Sequence[Act]) -> None:
    """The record with more acts at its end, begun where there is none. Raises WriteError."""
    record = read_record(path) or Record(title)
    for act in acts:
        record = record.with_act(act)
    try:
        with whole_file(path, True) as passing:
            passing.write_bytes(to_json(record))
    except OSError as problem:
        raise write_error(path, problem) from None
