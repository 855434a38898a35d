"""Signals: the program ends by its normal way out, once; they are held where something must be whole.

Python raises KeyboardInterrupt or SystemExit wherever the main thread happens to be: between a process's
start and the line that keeps its id, or in the middle of cleaning up. And a terminal signals its whole group:
a process that does not ignore Ctrl-C yet would print a traceback of its own.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from typing import NoReturn

ENDING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)  # fmt: skip
GROUP = tuple(getattr(signal, name) for name in ("SIGINT", "SIGHUP") if hasattr(signal, name))
"""What a terminal sends to its whole group."""


def handle_signals() -> None:
    """From now on a signal that ends the program raises, so that nothing half-written stays; further ones are
    ignored, so that they do not interrupt the cleaning up. What was ignored from outside stays ignored."""
    for number in ENDING:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _leave)


def _leave(number: int, _: object) -> NoReturn:
    for other in ENDING:
        if signal.getsignal(other) is _leave:
            signal.signal(other, _ignore)
    if number == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + number)


def _ignore(number: int, _: object) -> None:
    """The program is leaving already."""


def ignore_signals() -> None:
    """At the program's end: nothing may interrupt it. Python removes handlers that are functions before it is
    gone, and leaves what is ignored ignored."""
    for number in ENDING:
        if signal.getsignal(number) in (_leave, _ignore):
            signal.signal(number, signal.SIG_IGN)


def handle_signals_again() -> None:
    """After a KeyboardInterrupt that ended nothing."""
    for number in ENDING:
        if signal.getsignal(number) is _ignore:
            signal.signal(number, _leave)


@contextlib.contextmanager
def signals_held() -> Iterator[None]:
    """Signals act after the block, not in it. Only the main thread is ever interrupted, and an event loop
    takes signals between its steps by itself: elsewhere there is nothing to hold."""
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


@contextlib.contextmanager
def terminal_signals_blocked() -> Iterator[None]:
    """A process that is started in the block does not receive its terminal's signals from its first moment
    on, until it calls `ignore_terminal_signals`."""
    if not hasattr(signal, "pthread_sigmask"):  # pragma: no cover - not on POSIX
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, GROUP)  # a new process inherits it
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def ignore_terminal_signals() -> None:
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
