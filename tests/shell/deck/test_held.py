"""Signals that end a session wait for the end of what must not be torn in two."""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import Iterator

import pytest

from simulator.shell.deck.held import signals_held, start_deaf


class LeftError(Exception):
    """What the handler of these tests raises, as the program's raises SystemExit."""


@pytest.fixture(autouse=True)
def raising() -> Iterator[None]:
    def leave(number: int, _: object) -> None:
        raise LeftError(number)

    before = signal.signal(signal.SIGTERM, leave)
    yield
    signal.signal(signal.SIGTERM, before)


def test_a_signal_comes_after_the_block_and_not_in_it() -> None:
    done = []

    def work() -> None:
        with signals_held():
            signal.raise_signal(signal.SIGTERM)
            with signals_held():
                signal.raise_signal(signal.SIGTERM)
                done.append("inner")
            done.append("outer")
        done.append("never")

    with pytest.raises(LeftError):
        work()
    assert done == ["inner", "outer"]
    with pytest.raises(LeftError):
        signal.raise_signal(signal.SIGTERM)


def test_a_failure_in_the_block_is_not_hidden_and_the_signal_still_comes() -> None:

    def work() -> None:
        with signals_held():
            signal.raise_signal(signal.SIGTERM)
            raise OSError

    with pytest.raises(LeftError) as found:
        work()
    assert isinstance(found.value.__context__, OSError)
    with pytest.raises(OSError, match="alone"), signals_held():
        raise OSError("alone")


def test_other_threads_and_event_loops_hold_nothing() -> None:
    """Python interrupts the main thread alone, and a loop has handlers of its own."""
    seen: list[object] = []
    mine = signal.getsignal(signal.SIGTERM)

    def look() -> None:
        with signals_held():
            seen.append(signal.getsignal(signal.SIGTERM))

    async def looking() -> None:
        look()

    thread = threading.Thread(target=look)
    thread.start()
    thread.join()
    asyncio.run(looking())
    assert seen == [mine, mine]


def test_a_process_begins_deaf_to_its_terminal_and_its_parent_does_not_stay_so() -> None:
    masks = []

    class Process:
        def start(self) -> None:
            masks.append(signal.pthread_sigmask(signal.SIG_BLOCK, []))

    before = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    start_deaf(Process())
    assert {signal.SIGINT, signal.SIGHUP} <= masks[0]
    assert signal.pthread_sigmask(signal.SIG_BLOCK, []) == before
