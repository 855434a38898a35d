"""Without a terminal the same lines do the same, in order, and the desk goes on between them."""

from __future__ import annotations

import io
import signal
import time
from collections.abc import Iterator

import pytest
from support.fake_desk import FakeDesk

from simulator.desk.prompt import run_plain
from simulator.engine.interrupts import ENDING, handle_signals


def played(lines: list[str]) -> tuple[FakeDesk, list[str]]:
    said: list[str] = []
    desk = FakeDesk(said.append)
    assert run_plain(desk, lines, said.append) == 0
    return desk, said


@pytest.mark.parametrize(
    ("lines", "heard"),
    [
        (["play\n", "next\n"], ["play\n", "next\n"]),
        (["# a remark\n", "  # another\n", "\n", "   \n", "play"], ["play"]),
        ([], []),
    ],
    ids=["in order", "remarks and empty lines are nothing", "no lines at all"],
)
def test_lines_reach_the_desk(lines: list[str], heard: list[str]) -> None:
    assert played(lines)[0].heard == heard


def test_the_output_reads_as_a_record_of_the_session() -> None:
    assert played(["  play 2 \n", "next\n"])[1] == [
        "> play 2",
        "did   play 2 \n",
        "> next",
        "did next\n",
    ]


def test_nothing_is_done_after_the_desk_was_left() -> None:
    said: list[str] = []
    desk = FakeDesk(said.append)
    run_plain(desk, ["quit", "play"], said.append)
    assert desk.heard == ["quit"]


def test_the_desk_goes_on_while_a_line_is_awaited() -> None:
    def slow() -> Iterator[str]:
        time.sleep(0.5)
        yield "play"

    desk = FakeDesk()
    run_plain(desk, slow(), lambda _: None)
    assert desk.ticks >= 3


@pytest.mark.parametrize("problem", [OSError(5, "gone"), UnicodeDecodeError("utf-8", b"\xff", 0, 1, "bad")])
def test_an_input_that_breaks_off_ends_the_session(problem: Exception) -> None:
    def broken() -> Iterator[str]:
        yield "play"
        raise problem

    desk = FakeDesk()
    run_plain(desk, broken(), lambda _: None)
    assert desk.heard == ["play"]


def test_a_byte_that_is_no_text_costs_no_line() -> None:
    lines = io.TextIOWrapper(io.BytesIO(b"note one\nnote zu sch\xe4rf\nnote three\n"), "utf-8", "strict")
    desk = FakeDesk()
    run_plain(desk, lines, lambda _: None)
    assert desk.heard == ["note one\n", "note zu sch\udce4rf\n", "note three\n"]


class Interrupted(FakeDesk):
    """Ctrl-C comes in the middle of every line `long`."""

    def enter(self, line: str) -> None:
        super().enter(line)
        if line == "long":
            signal.raise_signal(signal.SIGINT)


@pytest.fixture(autouse=True)
def as_the_program() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in ENDING}
    handle_signals()
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def test_ctrl_c_ends_a_script() -> None:
    with pytest.raises(KeyboardInterrupt):
        run_plain(Interrupted(), ["long", "next"], lambda _: None)


def test_ctrl_c_stops_what_plays_where_a_keyboard_is_at_the_other_end() -> None:
    desk = Interrupted()
    run_plain(desk, ["long", "next", "long", "last"], lambda _: None, keep_on_interrupt=True)
    assert desk.heard == ["long", "<stop>", "next", "long", "<stop>", "last"]
