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

from simulator.desk.prompt import KEYS, Transcript, _KeptHistory, run_prompt
from simulator.text.desk.stage import stage_height


@contextmanager
def typing() -> Iterator[PipeInput]:
    with create_pipe_input() as keyboard, create_app_session(input=keyboard, output=DummyOutput()):
        yield keyboard


def texts() -> Transcript:
    """A transcript that is printed nowhere."""
    return Transcript(lambda _: None)


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
        assert run_prompt(desk, history, texts()) == 0
    return desk


@pytest.mark.parametrize(
    ("keys", "heard"),
    [
        ("play\rnext\rquit\r", ["play", "next", "quit"]),
        ("\r\rquit\r", ["<go mark>", "<go mark>", "quit"]),
        (
            "2\t\x1b[C\x1b[1;2D[]\rquit\r",
            [
                "<pick 2>",
                "<swap>",
                "<nudge +1>",
                "<nudge -5>",
                "<loop in>",
                "<loop out>",
                "<go mark>",
                "quit",
            ],
        ),
        ("\x1a\x1aquit\r", ["quit"]),
        ("a\x7fquit\r", ["quit"]),
        ("play\r\x04", ["play"]),
        ("play\r\x03next\r\x04", ["play", "<stop>", "next"]),
        ("half a li\x03quit\r", ["<stop>", "quit"]),
        (" \t.!-0quit\r", ["<pause>", "<swap>", "<state>", "<go loudest>", "<dim>", "<mute>", "quit"]),
        ("go 0.0-!\rquit\r", ["go 0.0-!", "quit"]),
        ("ask\rynote .\rquit\r", ["ask", "y", "note .", "quit"]),
        ("ask\rn\rquit\r", ["ask", "n", "quit"]),
        ("ask\r .\rquit\r", ["ask", " .", "quit"]),
        ("y\x7fn\x7f\rquit\r", ["<go mark>", "quit"]),
        ("pau\t\rquit\r", ["pause", "quit"]),
        ("p\tlay\rquit\r", ["play", "quit"]),
        ("xy\t\rquit\r", ["xy", "quit"]),
    ],
    ids=[
        "lines in order",
        "Enter goes to the next mark",
        "one hand",
        "Ctrl-Z does nothing",
        "a letter is a letter outside of a trial",
        "Ctrl-D leaves",
        "Ctrl-C stops and keeps the session",
        "Ctrl-C drops the open line",
        "keys on an empty line act at once",
        "the same keys in a line are letters",
        "y answers a question without Enter",
        "an Enter behind it is no key",
        "other keys are letters while a question is open",
        "stray y and n are letters",
        "Tab completes",
        "Tab waits where several fit",
        "Tab does nothing where nothing fits",
    ],
)
def test_keys_reach_the_desk(keys: str, heard: list[str]) -> None:
    assert typed(keys).heard == heard


def test_every_act_that_is_frequent_has_a_key() -> None:
    acts = {line.split()[0] for line in KEYS.values()}
    assert acts == {"pause", "go", "nudge", "pick", "swap", "reference", "loop", "state", "dim", "mute"}


def test_in_a_trial_letters_play_at_once_and_capitals_answer() -> None:
    """A whole round in five keys: three letters, an answer, its confirmation. Enter does nothing there."""
    desk = typed("abxA\rAquit\r", in_trial=True)
    assert desk.heard == ["<a>", "<b>", "<x>", "<answer? A>", "<answer? A>", "quit"]


def test_a_desk_that_leaves_by_itself_ends_the_open_line() -> None:
    assert typed("half a li", leaves_at_tick=3).heard == []


def test_what_goes_wrong_between_two_lines_is_not_swallowed() -> None:
    with pytest.raises(RuntimeError, match="fell over"):
        typed("half a li", fails_at_tick=2)


def test_the_desk_goes_on_while_a_line_is_open() -> None:
    desk = FakeDesk(leaves_at_tick=4)
    with typing() as keyboard:
        keyboard.send_text("half a li")
        run_prompt(desk, None, texts())
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
        assert run_prompt(desk, None, texts()) == 128 + number
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
        run_prompt(desk, history, texts())
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


def written(columns: int, rows: int, keys: str, until: str, texts: Transcript) -> list[str]:
    """The lines of a screen after these keys, once `until` is there; pyte is a terminal in Python."""
    text = io.StringIO()
    output = Vt100_Output(text, lambda: Size(rows=rows, columns=columns), term="xterm")
    desk = FakeDesk()
    found: list[str] = []

    def shown() -> list[str]:
        screen = pyte.Screen(columns, rows)
        pyte.Stream(screen).feed(text.getvalue())
        return [line.rstrip() for line in screen.display]

    with create_pipe_input() as keyboard, create_app_session(input=keyboard, output=output):

        def later() -> None:
            wait_for(lambda: desk.ticks > 1)
            keyboard.send_text(keys)
            wait_for(lambda: any(until in line for line in shown()))
            found.extend(shown())
            desk.leaves_at_tick = desk.ticks + 1

        thread = threading.Thread(target=later)
        thread.start()
        run_prompt(desk, None, texts)
        thread.join()
    return found


@pytest.mark.parametrize(("columns", "rows"), [(79, 24), (80, 19), (40, 10)])
def test_below_80_by_20_there_are_two_lines_under_the_prompt(columns: int, rows: int) -> None:
    lines = written(columns, rows, "", "no other", texts())
    assert lines[-3].startswith(">")
    assert "The song" in lines[-2]
    assert "0:0" in lines[-2]
    assert lines[-1].startswith("no other")


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (100, 30), (140, 40)])
def test_from_80_by_20_on_a_stage_is_above_texts_and_prompt(columns: int, rows: int) -> None:
    said = texts()
    said("One of the texts.")
    lines = written(columns, rows, "", "The song", said)
    assert "The song" in lines[0]
    assert "as played on made" in lines[1]
    assert lines[stage_height(columns, rows)] == "One of the texts."
    assert lines[-1].startswith(">")


def test_a_text_too_long_for_the_room_under_the_stage_takes_its_room_until_the_next_key() -> None:
    said = texts()
    said("\n".join(f"line {number}" for number in range(20)))
    lines = written(80, 24, "", "line 19", said)
    assert [line for line in lines if line.startswith("line")] == [f"line {number}" for number in range(20)]
    assert "■ 1 The song" in lines[-2]
    assert "■ 1 The song" in written(80, 24, "-", "▀▀▀", said)[0]


def test_tab_shows_what_may_stand_there_with_what_it_stands_for() -> None:
    lines = written(80, 24, "p\t", "the player", texts())
    at = next(i for i, line in enumerate(lines) if line.startswith("  play"))
    assert lines[at : at + 3] == ["  play     plays", "  pause", "  profile  the player"]


def test_what_was_said_on_the_screen_is_printed_afterwards_and_once() -> None:
    printed: list[str] = []
    said = Transcript(printed.append)
    said("before")
    with said.on_screen():
        said("on the screen")
        assert printed == ["before"]
    assert printed == ["before", "on the screen"]
    assert list(said.lines) == printed
