"""Folders of the user as the platform has them, and the temporary folder of a run.

A worker that is killed leaves a client's music behind, so the temporary folder's name carries the mark of the
process that started it, which removes it at its end.
"""

from __future__ import annotations

import atexit
import contextlib
import multiprocessing
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simulator.storage.process_life import name_mark, named_lives
from simulator.storage.writing import run_id


def cache_folder() -> Path:
    """For what the program can make again."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("fairhearing", appauthor=False))


def config_folder() -> Path:
    """For what the user has chosen."""
    import platformdirs

    return Path(platformdirs.user_config_dir("fairhearing", appauthor=False))


def user_data_folder() -> Path:
    """For what the user has made: session files, the prompt's history."""
    import platformdirs

    return Path(platformdirs.user_data_dir("fairhearing", appauthor=False))


PREFIX = "fairhearing-"


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """A new folder for this user alone, removed with its contents at the end. Raises OSError."""
    _sweep_dead()
    with tempfile.TemporaryDirectory(prefix=_beginning(run_id())) as folder:
        yield Path(folder)


def sweep_temporary() -> None:
    """Removes the folders that the workers of this run have left, once they have ended."""
    for left in Path(tempfile.gettempdir()).glob(f"{_beginning(os.getpid())}*"):
        shutil.rmtree(left, ignore_errors=True)


def _sweep_dead() -> None:
    """Removes the folders that killed runs of this user have left."""
    with contextlib.suppress(OSError), os.scandir(tempfile.gettempdir()) as entries:
        for entry in entries:
            if not entry.name.startswith(PREFIX):
                continue
            with contextlib.suppress(OSError, ValueError):
                mark = entry.name.removeprefix(PREFIX).rpartition("-")[0]
                if not named_lives(mark) and _own(entry):
                    shutil.rmtree(entry.path, ignore_errors=True)


def _own(entry: os.DirEntry[str]) -> bool:
    """True for a folder of this user, since the folder for temporary files is shared."""
    found = entry.stat(follow_symlinks=False)
    return stat.S_ISDIR(found.st_mode) and (not hasattr(os, "getuid") or found.st_uid == os.getuid())


def _beginning(run: int) -> str:
    return f"{PREFIX}{name_mark(run)}-"


if multiprocessing.parent_process() is None:
    atexit.register(sweep_temporary)
