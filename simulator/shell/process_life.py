"""Does the process that left its mark somewhere still live, here or on another machine?

A number alone does not tell: after a crash it may belong to another process. So a mark also holds when the
process was started, which start of the machine that was (and which numbering of processes: a container has
its own), and the machine's name. Where the system does not tell one of them, the others decide.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def mark() -> dict[str, object]:
    """The mark of this process, for JSON."""
    pid = os.getpid()
    return {"pid": pid, "host": socket.gethostname(), "boot": _boot(), "started": _started(pid)}


def marked_lives(found: Mapping[str, Any]) -> bool:
    """Is the process that left this mark still there? One of another machine is taken to live. A machine that
    has another name by now is known by its start, and a process that has only got the number by its own.
    Raises KeyError, TypeError, ValueError or OverflowError for what is no mark."""
    pid, host = int(found["pid"]), str(found["host"])
    boot, started = str(found.get("boot", "")), str(found.get("started", ""))
    if boot and boot == _boot():
        return process_lives(pid) and (not started or started == _started(pid))
    if host != socket.gethostname():
        return True
    return process_lives(pid) and not (boot and _boot())


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


def _boot() -> str:
    """What tells this start of the machine from all others, and this numbering of processes; empty where the
    system tells none."""
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
