"""The prompt takes lines and keys to the desk, draws the toolbar, and leaves by one way out."""

from __future__ import annotations

import io
import os
import signal
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pyte
import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.input.base import PipeInput
from prompt_toolkit.output import DummyOutput
from prompt_toolkit.output.vt100 import Vt100_Output
from support.fake_desk import FakeDesk

from simulator.desk.prompt import KEYS, _KeptHistory, run_prompt


@contextmanager
def typing() -> Iterator[PipeInput]:
    with create_pipe_input() as keyboard, create_app_session(input=keyboard, output=DummyOutput()):
        yield keyboard


def wait_for(true: Callable[[], bool]) -> bool:
    """Until it is so, on a busy machine too; False where it never is."""
    end = time.monotonic() + 10.0
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


def typed(keys: str, history: Path | None = None, **changes: object) -> FakeDesk:
    """The desk after these keys."""
    desk = FakeDesk(**changes)  # type: ignore[arg-type]
    with typing() as keyboard:
        keyboard.send_text(keys)
        assert run_prompt(desk, history) == 0
    return desk


@pytest.mark.parametrize(
    ("keys", "heard"),
    [
        ("play\rnext\rquit\r", ["play", "next", "quit"]),
        ("\r\rquit\r", ["quit"]),
        ("play\r\x04", ["play"]),
        ("play\r\x03next\r\x04", ["play", "<stop>", "next"]),
        ("half a li\x03quit\r", ["<stop>", "quit"]),
        (" \t.!-0quit\r", ["<pause>", "<swap>", "<state>", "<loudest>", "<dim>", "<mute>", "quit"]),
        ("go 0.0-!\rquit\r", ["go 0.0-!", "quit"]),
        ("ask\rn .\rquit\r", ["ask", "n .", "quit"]),
        ("pau\t\rquit\r", ["pause", "quit"]),
        ("p\tlay\rquit\r", ["play", "quit"]),
        ("xy\t\rquit\r", ["xy", "quit"]),
    ],
    ids=[
        "lines in order",
        "empty lines are nothing",
        "Ctrl-D leaves",
        "Ctrl-C stops and keeps the session",
        "Ctrl-C drops the open line",
        "keys on an empty line act at once",
        "the same keys in a line are letters",
        "while a question is open too",
        "Tab completes",
        "Tab waits where several fit",
        "Tab does nothing where nothing fits",
    ],
)
def test_keys_reach_the_desk(keys: str, heard: list[str]) -> None:
    assert typed(keys).heard == heard


def test_every_act_that_is_frequent_has_a_key() -> None:
    assert sorted(KEYS.values()) == ["dim", "loudest", "mute", "pause", "state", "swap"]


def test_a_desk_that_leaves_by_itself_ends_the_open_line() -> None:
    assert typed("half a li", leaves_at_tick=3).heard == []


def test_what_goes_wrong_between_two_lines_is_not_swallowed() -> None:
    with pytest.raises(RuntimeError, match="fell over"):
        typed("half a li", fails_at_tick=2)


def test_the_desk_goes_on_while_a_line_is_open() -> None:
    desk = FakeDesk(leaves_at_tick=4)
    with typing() as keyboard:
        keyboard.send_text("half a li")
        run_prompt(desk, None)
    assert desk.ticks == 4
    assert desk.widths


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_signal_leaves_by_the_normal_way(name: str) -> None:
    """The open line is dropped, the handlers that were there before come back."""
    number = getattr(signal, name)
    before = signal.getsignal(number)
    desk = FakeDesk()
    with typing() as keyboard:
        keyboard.send_text("half a li")

        def later() -> None:  # the desk ticks once the handlers are in place
            if wait_for(lambda: desk.ticks > 0):
                os.kill(os.getpid(), number)

        thread = threading.Thread(target=later)
        thread.start()
        assert run_prompt(desk, None) == 128 + number
        thread.join()
    assert desk.heard == []
    assert signal.getsignal(number) == before


def test_lines_of_an_earlier_session_come_back(tmp_path: Path) -> None:
    history = tmp_path / "made" / "history"
    typed("play 2\rquit\r", history)
    desk = FakeDesk()
    with typing() as keyboard:

        def later() -> None:  # history loads beside the prompt: keys sent at once would come too early
            wait_for(lambda: desk.ticks > 3)
            keyboard.send_text("\x1b[A\x1b[A\r")
            wait_for(lambda: bool(desk.heard))
            keyboard.send_text("\x04")

        thread = threading.Thread(target=later)
        thread.start()
        run_prompt(desk, history)
        thread.join()
    assert desk.heard == ["play 2"]
    assert stat.S_IMODE(history.stat().st_mode) == 0o600


def test_a_history_that_cannot_be_kept_does_not_stand_in_the_way(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("", encoding="utf-8")
    assert typed("play\rquit\r", in_the_way / "history").heard == ["play", "quit"]


def test_a_pipe_or_an_endless_file_as_the_history_does_not_hold_the_session_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "large").touch()
    os.truncate(tmp_path / "large", 10**11)
    for name in ("pipe", "large"):
        assert typed("play\rquit\r", tmp_path / name).heard == ["play", "quit"]
    assert (tmp_path / "large").stat().st_size == 10**11


def test_a_line_in_another_encoding_is_kept_in_the_history_spelled_out(tmp_path: Path) -> None:
    _KeptHistory(tmp_path / "history").store_string("note sch\udce4rf")
    assert list(_KeptHistory(tmp_path / "history").load_history_strings()) == ["note sch\\xe4rf"]


def written(columns: int, rows: int, keys: str, until: str) -> str:
    """What goes to a terminal after these keys, once `until` is in it."""
    text = io.StringIO()
    output = Vt100_Output(text, lambda: Size(rows=rows, columns=columns), term="xterm")
    desk = FakeDesk()
    with create_pipe_input() as keyboard, create_app_session(input=keyboard, output=output):

        def later() -> None:
            wait_for(lambda: desk.ticks > 1)
            keyboard.send_text(f"\x1b[1;1R{keys}")  # where the cursor is: the toolbar waits for it
            wait_for(lambda: until in text.getvalue())
            desk.leaves_at_tick = desk.ticks + 1

        thread = threading.Thread(target=later)
        thread.start()
        found: list[str] = []
        run_prompt(desk, None)
        thread.join()
        found.append(text.getvalue())
    return found[0]


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 10)])
def test_the_toolbar_is_drawn_in_two_lines(columns: int, rows: int) -> None:
    """What a terminal shows is read by pyte, a terminal in Python; the last thing that the prompt does is to
    take the toolbar away again."""
    text = written(columns, rows, "", "no other")
    screen = pyte.Screen(columns, rows)
    pyte.Stream(screen).feed(text[: text.index("no other") + len("no other version")])
    lines = [line.rstrip() for line in screen.display if line.strip()]
    assert lines[0].startswith(">")
    assert "The song" in lines[1]
    assert "0:0" in lines[1]
    assert lines[2].startswith("no other")


def test_tab_shows_what_may_stand_there_with_what_it_stands_for() -> None:
    text = written(80, 24, "p\t", "the player")
    assert "  play     plays\n  pause\n  profile  the player" in text.replace("\r", "")
