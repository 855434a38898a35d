"""Whether the process that left a mark is still running, here or on another machine.

A process id alone does not say: after a crash it may belong to another process. So a mark also holds when the
process was started, which boot of the machine that was (and which pid namespace: a container has its own),
and the machine's name. Where the system does not provide one of them, the others decide. Temporary files and
folders carry such a mark in their names.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import re
import socket
import threading
from collections.abc import Callable, Mapping
from functools import lru_cache
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any


def mark() -> dict[str, object]:
    """The mark of this process, for JSON."""
    pid = os.getpid()
    return {"pid": pid, "host": socket.gethostname(), "boot": _boot(), "started": _started(pid)}


def marked_lives(found: Mapping[str, Any]) -> bool:
    """True while the process that left this mark is running; one of another machine counts as running. A
    renamed machine is recognised by its boot, a reused process id by its start. Raises KeyError, TypeError,
    ValueError or OverflowError for anything that is not a mark."""
    pid, host = int(found["pid"]), str(found["host"])
    boot, started = str(found.get("boot", "")), str(found.get("started", ""))
    return _lives(pid, host == socket.gethostname(), boot, _boot(), started)


@lru_cache(maxsize=16)
def name_mark(pid: int) -> str:
    """The mark of a running process of this machine, for the name of a file: `PID-HOST-BOOT-STARTED`, host
    and boot as hashes; what the system does not provide is empty."""
    return f"{pid}-{_hash(socket.gethostname())}-{_hash(_boot())}-{_started(pid)}"


def named_lives(mark: str) -> bool:
    """`marked_lives` for a `name_mark`. Raises ValueError for anything else."""
    found = re.fullmatch(r"([0-9]{1,10})-([0-9a-f]{8}|)-([0-9a-f]{8}|)-([0-9]{0,20})", mark)
    if found is None:
        raise ValueError(f"{mark!r} is not a process mark")
    pid, host, boot, started = found.groups()
    here = host == _hash(socket.gethostname())
    return _lives(int(pid), here, boot, _hash(_boot()), started)


def _lives(pid: int, here: bool, boot: str, boot_now: str, started: str) -> bool:
    if boot and boot == boot_now:
        return process_lives(pid) and (not started or started == _started(pid))
    if not here:
        return True
    return process_lives(pid) and not (boot and boot_now)


def _hash(text: str) -> str:
    """Eight hexadecimal digits for a text; none for an empty one."""
    return hashlib.sha256(text.encode(errors="replace")).hexdigest()[:8] if text else ""


def end_with_parent(before: Callable[[], object] = lambda: None) -> None:
    """Ends this process, after calling `before`, when the one that started it is gone, even while a call into
    a library hangs: a pipe that only the parent holds open then ends, also where the parent was killed."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch(sentinel: int) -> None:
        wait([sentinel])
        before()
        os._exit(0)

    threading.Thread(target=watch, args=(parent.sentinel,), daemon=True).start()


def process_lives(pid: int) -> bool:
    """True with a process of this id (perhaps another user's)."""
    if os.name == "nt":  # os.kill(pid, 0) would end it there
        return _lives_on_windows(pid)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _lives_on_windows(pid: int) -> bool:
    """On Windows a process that has ended can be opened as long as anyone else has it open."""
    import ctypes

    # PROCESS_QUERY_LIMITED_INFORMATION, ERROR_ACCESS_DENIED, STILL_ACTIVE (from memory)
    query, denied, still_active = 0x1000, 5, 259
    kernel: Any = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined]
    opened = kernel.OpenProcess(query, False, pid)
    if not opened:
        return bool(ctypes.get_last_error() == denied)  # type: ignore[attr-defined]
    code = ctypes.c_ulong(still_active)
    kernel.GetExitCodeProcess(opened, ctypes.byref(code))
    kernel.CloseHandle(opened)
    return code.value == still_active


def _boot() -> str:
    """The id of this boot of the machine and of this pid namespace; empty where the system has none."""
    try:
        start = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return f"{start} {os.readlink('/proc/self/ns/pid')}"
    except (OSError, ValueError):
        return ""


def _started(pid: int) -> str:
    """When the process was started, in the system's ticks; empty where that is not known."""
    try:
        # the name in brackets may hold spaces and brackets: fields are counted after the last one
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        return stat.rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""
