"""Signals that end a session wait for the end of what must not be torn in two."""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import Iterator

import pytest

from simulator.engine.interrupts import (
    handle_signals,
    handle_signals_again,
    ignore_signals,
    signals_held,
    terminal_signals_blocked,
)


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
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    with terminal_signals_blocked():  # a process that is started inherits what is blocked
        assert {signal.SIGINT, signal.SIGHUP} <= signal.pthread_sigmask(signal.SIG_BLOCK, [])
    assert signal.pthread_sigmask(signal.SIG_BLOCK, []) == before


@pytest.fixture
def as_the_program_begins() -> Iterator[None]:
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.getsignal(number) for number in numbers]
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as under nohup
    handle_signals()
    yield
    for number, handler in zip(numbers, before, strict=True):
        signal.signal(number, handler)


@pytest.mark.usefixtures("as_the_program_begins")
def test_the_first_signal_ends_the_program_and_no_other_is_heard_on_the_way_out() -> None:
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.raise_signal(number)  # raises nothing
    with signals_held():
        signal.raise_signal(signal.SIGINT)


@pytest.mark.usefixtures("as_the_program_begins")
def test_sigterm_leaves_with_its_number() -> None:
    with pytest.raises(SystemExit) as left:
        signal.raise_signal(signal.SIGTERM)
    assert left.value.code == 128 + signal.SIGTERM


@pytest.mark.usefixtures("as_the_program_begins")
def test_a_ctrl_c_that_ended_nothing_leaves_the_next_one_heard() -> None:
    for _ in range(2):
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        handle_signals_again()
    with pytest.raises(SystemExit):
        signal.raise_signal(signal.SIGTERM)


@pytest.mark.usefixtures("as_the_program_begins")
def test_at_its_end_the_program_hears_nothing_and_what_was_ignored_outside_stays_so() -> None:
    signal.raise_signal(signal.SIGHUP)
    ignore_signals()
    signal.raise_signal(signal.SIGINT)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        assert signal.getsignal(number) is signal.SIG_IGN
