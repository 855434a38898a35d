"""Safe writing of results, whole or not at all, and never over a user's file; pictures.

A file is written beside its target under a temporary name and moved there in one step. The name carries the
mark of its run (`process_life`), so that the next run in the folder removes what a killed one has left.
"""

from __future__ import annotations

import contextlib
import errno
import importlib.util
import multiprocessing
import os
import shutil
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulator.common.errors import UsageError, WriteError
from simulator.storage.lock import acquire_lock, release_lock
from simulator.storage.process_life import name_mark, named_lives
from simulator.storage.small_files import BINARY, files_read

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PASSING = ".part"
_swept: set[Path] = set()


def refuse_existing(paths: Sequence[Path], force: bool) -> None:
    """Raises WriteError, before any work, where a result would replace an existing file; with `force` only
    for a device, pipe or folder, and for a file that this command has read."""
    there = [path for path in paths if os.path.lexists(path)]
    for path in there:
        if os.path.exists(path) and not os.path.isfile(path):
            raise WriteError(
                f"{path} is a device, pipe or folder, not a regular file; left untouched.",
                "Choose another name.",
            )
    refuse_sources(there, ())
    if there and not force:
        raise _not_overwritten(there)


def _not_overwritten(there: Sequence[Path]) -> WriteError:
    """The error of results that already exist."""
    if len(there) == 1:
        return WriteError(
            f"{there[0]} already exists and was not overwritten.", "Choose another name, or add --force."
        )
    return WriteError(
        f"{there[0]} and {len(there) - 1} more already exist and were not overwritten.",
        "Choose another folder, or add --force.",
    )


def refuse_sources(paths: Sequence[Path], sources: Sequence[str]) -> None:
    """Raises WriteError, before any work, where a result would replace a file that it is made from, one of
    `sources` or a playlist, profile or session file that this command has read. No option allows that. A link
    to a source may be replaced, as the source stays."""
    for path in paths:
        for source in (*sources, *files_read()):
            with contextlib.suppress(OSError, ValueError):
                if _replaces(path, source):
                    raise WriteError(
                        f"{path} is one of the source files and is never overwritten, even with --force.",
                        "Choose another folder or name for the results.",
                    )


def _replaces(path: Path, source: str) -> bool:
    if path.is_symlink():
        return False
    if not os.path.exists(path):  # as a session file that is begun later
        return os.path.abspath(path) == os.path.abspath(source)
    if not os.path.samefile(path, source):
        return False
    # by its own name, or by another spelling of it (letters of another case, a folder's other name)
    return os.path.realpath(path) == os.path.realpath(source) or os.stat(path).st_nlink == 1


@contextlib.contextmanager
def whole_file(path: Path, force: bool, new_mode: int | None = None) -> Iterator[Path]:
    """Yields the temporary name to write to; moves it to `path` at the end, removes it on any failure. A
    replaced file passes on its mode; a new one has `new_mode`, if given. Raises WriteError where the disk is
    full or the file exists."""
    passing = _passing(path)
    _sweep_dead(path.parent)
    mode = _mode(path) if force else None
    mode = new_mode if mode is None else mode
    try:
        if mode is not None:
            _begin_with(passing, mode)
        yield passing
        _reach_the_disk(passing)
        if mode is not None:
            _set_mode(passing, mode)
        if force:
            os.replace(passing, path)
        else:
            _move_new(passing, path)
    except FileExistsError:
        raise _not_overwritten([path]) from None
    except OSError as problem:
        raise write_error(path, problem) from None
    finally:
        with contextlib.suppress(OSError):
            os.remove(passing)


def _reach_the_disk(path: Path) -> None:
    """Waits until the bytes of a file are on the disk: a name without them would outlive a power cut. Raises
    OSError."""
    with open(path, "r+b") as file:  # Windows syncs only what is open for writing
        os.fsync(file.fileno())


def _mode(path: Path) -> int | None:
    """The mode of a regular file; None for a link, or without a file."""
    with contextlib.suppress(OSError, ValueError):
        found = os.lstat(path)
        if stat.S_ISREG(found.st_mode):
            return stat.S_IMODE(found.st_mode)
    return None


def _begin_with(passing: Path, mode: int) -> None:
    """The temporary file, readable to no more than the one that it replaces, and always to its writer."""
    with contextlib.suppress(OSError):  # writing to it raises the reason
        os.close(os.open(passing, os.O_CREAT | os.O_WRONLY | os.O_TRUNC | BINARY, 0o600))
        _set_mode(passing, mode | stat.S_IRUSR | stat.S_IWUSR)


def _set_mode(passing: Path, mode: int) -> None:
    with contextlib.suppress(OSError):  # a file system without modes
        os.chmod(passing, mode)


def sweep(paths: Sequence[Path]) -> None:
    """Removes what killed or crashed workers left of these files; finished ones stay."""
    for path in paths:
        with contextlib.suppress(OSError):
            os.remove(_passing(path))


def _passing(path: Path) -> Path:
    """The temporary name: the same in a worker and in the process that started it, so that each can sweep it
    away, and different in every run."""
    return path.with_name(f".{cut_to_bytes(path.name, 180)}.{name_mark(run_id())}{PASSING}")


def run_id() -> int:
    """The process id of the run; in a worker, its parent's."""
    parent = multiprocessing.parent_process()
    return os.getpid() if parent is None or parent.pid is None else parent.pid


def _sweep_dead(folder: Path) -> None:
    """Removes, once in a run, what killed runs have left half-written in a folder. A file whose run lives,
    may live on another machine, or is not known, stays."""
    if folder in _swept:
        return
    _swept.add(folder)
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if not (entry.name.startswith(".") and entry.name.endswith(PASSING)):
                continue
            with contextlib.suppress(OSError, ValueError):
                mark = entry.name.removesuffix(PASSING).rpartition(".")[2]
                if not named_lives(mark) and entry.is_file(follow_symlinks=False):
                    os.remove(entry.path)


def cut_to_bytes(name: str, most: int) -> str:
    """The beginning of a name, in up to `most` bytes and whole characters: file systems hold names of 255
    bytes, and a character may take four."""
    while len(os.fsencode(name)) > most:
        name = name[:-1]
    return name


FULL_BYTES = 4 * 1024 * 1024
"""With less space left than this, the full disk counts as the reason why a library could not write."""


def write_error(path: Path, problem: OSError) -> WriteError:
    """The system's refusal as an error with a cure."""
    if problem.errno in (errno.ENOSPC, errno.EDQUOT):
        full = "No space left on the disk" if problem.errno == errno.ENOSPC else "No quota left on the disk"
        return WriteError(
            f"{path}: cannot be written: {full} of {path.absolute().parent}.",
            "Free some disk space, or choose another folder.",
        )
    return WriteError(
        f"{path}: cannot be written: {problem.strerror or problem}.",
        "Check the folder and its permissions, or choose another.",
    )


def refusal(passing: Path, words: str) -> OSError:
    """Why a library could not write this file. libsndfile says only "System error." for a full disk, so more
    is written to get the system's own answer, and then the free space is looked at."""
    try:
        with open(passing, "ab", buffering=0) as file:
            for _ in range(16):
                file.write(bytes(65536))
    except OSError as problem:
        return problem
    with contextlib.suppress(OSError):
        if shutil.disk_usage(passing.parent).free < FULL_BYTES:  # some was freed in between
            return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    words = words.rstrip(". ")
    return OSError(None, "the system refused it" if "System error" in words else words)


def make_folder(path: Path) -> None:
    """The folder with its parents. Raises WriteError."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise write_error(path, problem) from None


CLAIM = ".fairhearing-writing.lock"


@contextlib.contextmanager
def claimed(folder: Path, paths: Sequence[Path], force: bool) -> Iterator[None]:
    """The folder, made where it is missing, locked for this command; `paths` are what it will write there.
    Raises WriteError, before anything is written, where another command is writing to it, or has finished
    there since."""
    make_folder(folder)
    lock = folder / CLAIM
    refused = False
    try:
        refused = not acquire_lock(lock)
        if refused:
            raise WriteError(
                f"{folder}: another command is writing to this folder.",
                "Wait until it has finished, or choose another folder.",
            )
        refuse_existing(paths, force)
        yield
    finally:
        if not refused:  # a signal may come before `acquire_lock` has answered
            release_lock(lock)


def _move_new(passing: Path, path: Path) -> None:
    """Moves without ever replacing; without hard links, after a last check."""
    try:
        os.link(passing, path)
    except FileExistsError:
        raise
    except OSError:
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, "exists", str(path)) from None
        os.replace(passing, path)


PICTURES = (".svg", ".png")


def check_pictures(paths: Sequence[Path], force: bool) -> None:
    """Before any work: raises UsageError for another ending, WriteError where a file is there already."""
    for path in paths:
        if path.suffix.lower() not in PICTURES:
            raise UsageError(
                f"{path}: a picture must be an .svg or .png file.", "Example: --figure players.svg"
            )
    refuse_existing(paths, force)
    if paths:
        _need_matplotlib()


def _need_matplotlib() -> None:
    """Raises UsageError where the library that draws is missing."""
    if importlib.util.find_spec("matplotlib") is None:
        raise UsageError(
            "Figures need matplotlib, which is not installed.", "Install it: python -m pip install matplotlib"
        )


def drawn(draw: Callable[[], Figure], style: Mapping[Any, Any]) -> Figure:
    """The figure in that style. Raises UsageError where matplotlib is missing."""
    _need_matplotlib()
    import matplotlib as mpl

    with mpl.rc_context(dict(style)):
        return draw()


def save_picture(path: Path, draw: Callable[[], Figure], style: Mapping[Any, Any], force: bool) -> None:
    """Draws under the style and writes; the same figure gives the same file. Raises WriteError."""
    import matplotlib as mpl

    with mpl.rc_context(dict(style)), whole_file(path, force) as passing:
        form = path.suffix[1:].lower()
        draw().savefig(passing, format=form, metadata={"Date": None} if form == "svg" else None)
