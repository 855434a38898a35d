"""Where does what is made in passing lie, and who takes it away? A folder of the system's for temporary
files, named after the run; the run takes away at its end what a worker that was ended left there.

A worker that is ended in the middle (Ctrl-C, SIGTERM, a closed terminal) has no time to clear away, and what
lies there is a client's music. So the name begins as the process that started the workers knows it.
"""

from __future__ import annotations

import atexit
import multiprocessing
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """A new folder for this user alone, removed at the end with all that is in it. Raises OSError."""
    with tempfile.TemporaryDirectory(prefix=_beginning(_run())) as folder:
        yield Path(folder)


def sweep_temporary() -> None:
    """Removes the folders that the workers of this run have left. To be called when they are gone."""
    for left in Path(tempfile.gettempdir()).glob(f"{_beginning(os.getpid())}*"):
        shutil.rmtree(left, ignore_errors=True)


def _run() -> int:
    """The process id of the run: of the process that started this one, where it is a worker."""
    parent = multiprocessing.parent_process()
    return os.getpid() if parent is None or parent.pid is None else parent.pid


def _beginning(run: int) -> str:
    return f"fairhearing-{run}-"


if multiprocessing.parent_process() is None:
    atexit.register(sweep_temporary)
