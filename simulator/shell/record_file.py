"""Where does a session's record lie, and how does it survive? One JSON file, written whole after each act.

Beside the playlist as NAME.session.json; for bare files in the user's data folder. A damaged or newer file is
set aside under another name, never overwritten. A lock file with the writer's process id tells a second desk
that the first is open; the second then keeps its acts in a record of its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import socket
from collections.abc import Callable, Sequence
from pathlib import Path

from simulator.errors import SimulatorError, UsageError
from simulator.hearing.record import Act, Record, from_json, to_json
from simulator.plain_text import as_utf8
from simulator.shell.small_files import LARGEST_RECORD_BYTES, MEBIBYTE, read_small
from simulator.shell.writing import whole_file

SUFFIX = ".session.json"


def record_path(playlist: Path | None, files: Sequence[str]) -> Path:
    """Beside the playlist; for bare files in the data folder, by their names."""
    if playlist is not None:
        return playlist.with_name(playlist.name.removesuffix(playlist.suffix) + SUFFIX)
    import platformdirs

    folder = Path(platformdirs.user_data_dir("fairhearing", appauthor=False)) / "sessions"
    known = hashlib.sha256(b"\0".join(os.fsencode(os.path.abspath(one)) for one in files)).hexdigest()[:12]
    first = as_utf8(Path(files[0]).stem[:40]).replace("\\", "_") if files else "session"
    return folder / f"{first}-{known}{SUFFIX}"


class RecordFile:
    """A record and its file. `keep` adds an act and writes. Where writing fails the acts go on in memory and
    it is said once; what could not be written is written with the next act."""

    def __init__(self, path: Path, warn: Callable[[str], None], title: str = "") -> None:
        self.path, self._warn = path, warn
        self.record = Record(title)
        self._lock: Path | None = None
        self._failed = False
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
        longer = self.record.with_act(act)
        try:
            data = to_json(longer)
        except (TypeError, ValueError) as problem:
            self._warn(f"One act ({act.kind}) cannot be put into the record ({problem}) and is not kept.")
            return
        self.record = longer
        try:
            with whole_file(_real(self.path), True) as passing, open(passing, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except (OSError, SimulatorError) as problem:
            self._fail(problem)
        else:
            self._failed = False

    @property
    def kept(self) -> bool:
        """Does all that was done stand on the disk?"""
        return bool(self.record.acts) and not self._failed

    def close(self) -> None:
        """Takes the lock away."""
        if self._lock is not None:
            with contextlib.suppress(OSError):
                self._lock.unlink()
            self._lock = None

    def _read(self, title: str) -> Record:
        try:
            data = read_small(self.path, LARGEST_RECORD_BYTES)
        except FileNotFoundError:
            return Record(title)
        except OSError as problem:
            kept = self.path
            self.path = _beside(kept)
            self._warn(f"{kept} cannot be read ({problem.strerror}) and is left alone; see {self.path.name}.")
            return Record(title)
        try:
            return from_json(data)
        except UsageError as problem:
            aside = _free_name(self.path, "set-aside")
            os.replace(self.path, aside)
            self._warn(
                f"{self.path}: {problem.message} It was set aside as {aside.name}; a new one is begun."
            )
            return Record(title)

    def _free_path(self) -> Path:
        """The path itself, or one of its own where another desk holds it."""
        path = self.path
        for number in range(2, 100):
            lock = lock_of(path)
            if _take(lock):
                self._lock = lock
                break
            path = self.path.with_name(f"{self.path.name.removesuffix(SUFFIX)}.desk{number}{SUFFIX}")
        if path != self.path:
            self._warn(
                f"{self.path} is open at another desk; this one keeps its notes in {path.name}. (If no other "
                f"desk is open, quit, remove {lock_of(self.path)} and open it again.)"
            )
        return path

    def _fail(self, problem: Exception) -> None:
        if not self._failed:
            reason = problem.message if isinstance(problem, SimulatorError) else str(problem)
            self._warn(f"The record cannot be written ({reason}). Notes are kept in memory until it can.")
        self._failed = True


def _take(lock: Path) -> bool:
    """Makes the lock file, or takes over one whose process is gone. Where locks cannot be written at all the
    record cannot be written either, and there is nothing to protect."""
    mine = json.dumps(
        {"pid": os.getpid(), "host": socket.gethostname(), "boot": _boot(), "started": _started(os.getpid())}
    ).encode()
    for _ in range(3):
        mark = lock.with_name(f"{lock.name}.{os.getpid()}")
        try:
            mark.write_bytes(mine)
            _put(mark, lock)
        except FileExistsError:
            if _lives(lock):
                return False
            with contextlib.suppress(OSError):
                dead = lock.with_name(f"{lock.name}.{os.getpid()}.dead")
                os.rename(lock, dead)  # of two desks only one can move it
                if _lives(dead):  # the other one had taken it over in between: put it back
                    with contextlib.suppress(FileExistsError):
                        os.link(dead, lock)
                dead.unlink()
            continue
        except OSError:
            return True
        finally:
            with contextlib.suppress(OSError):
                mark.unlink()
        return True
    return False


def _put(mark: Path, lock: Path) -> None:
    """The lock with its content at once, so that no desk meets an empty one. Raises FileExistsError. Where
    there are no hard links, os.rename on Windows refuses as well; elsewhere an exclusive file has to do."""
    try:
        os.link(mark, lock)
    except FileExistsError:
        raise
    except OSError:
        if os.name == "nt":
            os.rename(mark, lock)
            return
        with open(lock, "xb") as file:
            file.write(mark.read_bytes())


def _lives(lock: Path) -> bool:
    """Is the process that holds the lock still there? One of another machine is taken to live. A machine that
    has another name by now is known by its start, and a process that has only got the number by its own."""
    try:
        holder = json.loads(read_small(lock, MEBIBYTE))
        pid, host = int(holder["pid"]), str(holder["host"])
        boot, started = str(holder.get("boot", "")), str(holder.get("started", ""))
    except FileNotFoundError:
        return False
    except (OSError, ValueError, KeyError, TypeError):
        return False
    if boot and boot == _boot():
        return process_lives(pid) and (not started or started == _started(pid))
    if host != socket.gethostname():
        return True
    return process_lives(pid) and not (boot and _boot())


def lock_of(path: Path) -> Path:
    """The lock that a desk holds on a record."""
    real = _real(path)
    return real.with_name(f".{real.name}.lock")


def _boot() -> str:
    """What tells this start of the machine from all others, and this numbering of processes (a container has
    its own); empty where the system tells none."""
    try:
        start = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return f"{start} {os.readlink('/proc/self/ns/pid')}"
    except (OSError, ValueError):
        return ""


def _started(pid: int) -> str:
    """When the process was started, in the system's ticks; empty where it does not tell."""
    try:
        # the name in brackets may hold spaces and brackets: fields are counted after the last one
        told = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        return told.rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def process_lives(pid: int) -> bool:
    """Is there a process of this id (perhaps another user's)?"""
    if os.name == "nt":  # os.kill(pid, 0) would end it there
        import ctypes

        opened = ctypes.windll.kernel32.OpenProcess(0x1000, False, pid)  # type: ignore[attr-defined]
        if opened:
            ctypes.windll.kernel32.CloseHandle(opened)  # type: ignore[attr-defined]
        return bool(opened)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _real(path: Path) -> Path:
    """The file itself where the path is a link to it (into a folder that is synchronised, say): that is what
    is written and locked, and the link stays."""
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def _beside(path: Path) -> Path:
    """A record of its own beside one that cannot be read."""
    stem = path.name.removesuffix(SUFFIX)
    for number in range(2, 10_000):
        free = path.with_name(f"{stem}.new{number}{SUFFIX}")
        if not os.path.lexists(free):
            return free
    raise UsageError(f"{path}: too many records lie beside it.", "Clear them away.")


def _free_name(path: Path, word: str) -> Path:
    for number in range(1, 10_000):
        free = path.with_name(f"{path.name}.{word}-{number}")
        if not free.exists():
            return free
    raise UsageError(f"{path}: too many files were set aside beside it.", "Clear them away.")
