"""How does nothing tear the start and the end of a process in two? Signals that end the session wait.

Python raises KeyboardInterrupt or SystemExit wherever the main thread happens to be: between a process's
start and the line that keeps its id, or in the middle of clearing away. And a terminal tells its whole group:
a process that has not come to ignoring Ctrl-C would print a traceback of its own.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Any

ENDING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)  # fmt: skip
GROUP = tuple(getattr(signal, name) for name in ("SIGINT", "SIGHUP") if hasattr(signal, name))
"""What a terminal sends to all of its group."""


@contextlib.contextmanager
def signals_held() -> Iterator[None]:
    """What ends the session acts after the block, not in it. Only the main thread is ever interrupted, and
    an event loop takes signals between its steps by itself: there is nothing to hold in these."""
    if threading.current_thread() is not threading.main_thread() or _in_event_loop():
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in ENDING}
    before = {number: handler for number, handler in before.items() if callable(handler)}
    for number in before:
        signal.signal(number, lambda found, _: came.append(found))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])


def start_deaf(process: Any) -> None:
    """Starts a process that is deaf to its terminal from its first moment on, until it calls
    `ignore_terminal`."""
    if not hasattr(signal, "pthread_sigmask"):  # pragma: no cover - not on POSIX
        process.start()
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, GROUP)  # a new process inherits it
    try:
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def ignore_terminal() -> None:
    """In such a process: Ctrl-C and the terminal's end are the parent's to handle."""
    for number in GROUP:
        signal.signal(number, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, GROUP)


def _in_event_loop() -> bool:
    asyncio = sys.modules.get("asyncio")
    if asyncio is None:
        return False
    with contextlib.suppress(RuntimeError):
        asyncio.get_running_loop()
        return True
    return False
