"""Settings remembered from one session to the next: the monitor trim.

One small JSON file in the user's configuration folder, written whole or not at all. A file that is damaged
or of a newer format is left as it is, and the default holds.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import msgspec

from simulator.common.errors import WriteError
from simulator.session.state import FIRST_TRIM_DB, LOWEST_TRIM_DB
from simulator.storage.small_files import MEBIBYTE, read_small
from simulator.storage.writing import make_folder, whole_file

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
