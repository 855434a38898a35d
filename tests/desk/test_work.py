"""Work beside the session is done in order, and its failures are its own."""

from __future__ import annotations

import threading

import pytest

from simulator.common.errors import AudioError, SimulatorError
from simulator.desk.controller import Background


def failed(problem: SimulatorError) -> list[str]:
    return [f"failed: {problem.message}"]


def all_of(work: Background[str]) -> list[str]:
    events = []
    while work.pending:
        events += work.take(5.0)
    return events


def test_events_come_in_the_order_of_the_asking() -> None:
    work: Background[str] = Background()
    for number in range(5):
        work.start(lambda n=number: [f"{n}a", f"{n}b"], failed)
    assert all_of(work) == [f"{n}{part}" for n in range(5) for part in "ab"]


def test_a_tick_does_not_wait_for_work() -> None:
    gate = threading.Event()
    work: Background[str] = Background()
    work.start(lambda: ["done"] if gate.wait(5.0) else [], failed)
    assert work.take() == []
    assert work.pending == 1
    gate.set()
    assert all_of(work) == ["done"]


def test_a_failure_of_the_users_is_an_event_and_the_rest_goes_on() -> None:
    def broken() -> list[str]:
        raise AudioError("song.wav: gone.")

    work: Background[str] = Background()
    work.start(broken, failed)
    work.start(lambda: ["next"], failed)
    assert all_of(work) == ["failed: song.wav: gone.", "next"]


def test_a_fault_of_the_program_is_not_swallowed() -> None:
    work: Background[str] = Background()
    work.start(lambda: [str(1 // 0)], failed)
    with pytest.raises(ZeroDivisionError):
        all_of(work)


def test_after_closing_nothing_is_begun() -> None:
    begun = []
    running, gate = threading.Event(), threading.Event()

    def first() -> list[str]:
        running.set()
        gate.wait(5.0)
        begun.append("first")
        return []

    work: Background[str] = Background()
    work.start(first, failed)
    work.start(lambda: begun.append("second") or [], failed)
    assert running.wait(5.0)
    work.close()
    work.start(lambda: begun.append("third") or [], failed)
    gate.set()
    work.take(0.2)
    assert begun == ["first"]
