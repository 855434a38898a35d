"""Prompt of the desk: full-screen on a terminal, plain lines without one. It holds no rules.

On a terminal: stage, texts, lines, keys, completion and history, in one thread; ten times a second the desk
is asked for what the stage shows. Ctrl-C stops what plays, Ctrl-D leaves; SIGTERM, SIGHUP and a terminal that
is gone leave by the same way, so that the terminal is restored.

Without one: the same commands as lines of text, each printed before what it does; # begins a remark, `wait`
lets time pass, and the end of the input leaves.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import queue
import signal
import sys
import textwrap
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from prompt_toolkit.application import Application, get_app
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.data_structures import Size
from prompt_toolkit.filters import Condition
from prompt_toolkit.formatted_text import StyleAndTextTuples
from prompt_toolkit.history import FileHistory, History, InMemoryHistory
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.layout import (
    BufferControl,
    ConditionalContainer,
    FormattedTextControl,
    HSplit,
    Layout,
    Window,
)
from prompt_toolkit.layout.processors import BeforeInput

from simulator.common.text import as_utf8, visible
from simulator.engine.interrupts import handle_signals_again
from simulator.session.commands import keys
from simulator.session.events import TICK_SECONDS
from simulator.storage.small_files import MEBIBYTE, open_to_write
from simulator.text.desk.stage import curve_columns, stage_height, stage_lines
from simulator.text.desk.status_bar import toolbar_lines

if TYPE_CHECKING:
    from simulator.desk.completion import Word
    from simulator.desk.controller import Desk

KEYS = {" " if key == "space" else key: line for key, line in keys().items()}
"""Keys that act at once on an empty line."""
TRIAL_KEYS = {"a": "a", "b": "b", "x": "x", "A": "answer? A", "B": "answer? B", "y": "answer? y"}
"""The same, while a blind trial is on."""
MOST_EXPLAINED = 24
LARGEST_HISTORY_BYTES = 16 * MEBIBYTE
"""One that is larger is left alone: all of it is read at the first line."""
HANGUP = 1
"""SIGHUP's number, on systems without it too."""
MOST_LINES = 2000
"""So far back what was said can be read on the screen."""
PAGE_LINES = 10
TOOLBAR_LINES = 2
ANSWERED_SECONDS = 1.0
"""An Enter that follows an answer so soon belongs to it."""


class Transcript:
    """What was said. It is printed, and while the whole screen is the prompt's it is kept for that:
    `lines` are the last ones, `tall` how many the last text has, until the next key."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._behind: list[str] | None = None
        self.lines: deque[str] = deque(maxlen=MOST_LINES)
        self.tall = 0
        self.back = 0
        self.said = 0

    def __call__(self, text: str) -> None:
        lines = visible(text, "\n\t").expandtabs().splitlines() or [""]
        self.lines.extend(lines)
        self.tall, self.back = len(lines), 0
        self.said += 1
        if self._behind is None:
            self._say(text)
        else:
            self._behind.append(text)

    @contextlib.contextmanager
    def on_screen(self) -> Iterator[None]:
        """While the screen shows the lines. Afterwards what was said is printed, so that it can be read
        on."""
        self._behind = []
        try:
            yield
        finally:
            behind, self._behind = self._behind, None
            for text in behind:
                self._say(text)


def run_prompt(desk: Desk, history: Path | None, texts: Transcript) -> int:
    """Reads keys and lines until the desk is left; 0, or 128 + the signal that ended it."""
    return asyncio.run(_run(desk, history, texts))


async def _run(desk: Desk, history: Path | None, texts: Transcript) -> int:
    app = _application(desk, history, texts)
    ended: list[int] = []
    at_terminal = _at_terminal()
    with _leaving_by_signal(app, ended), texts.on_screen():
        ticking = asyncio.create_task(_tick(desk, app, texts))
        try:
            if not desk.left:
                await app.run_async()
        except (EOFError, OSError):
            if at_terminal and not _at_terminal():  # its window was closed
                ended.append(128 + HANGUP)
        finally:
            ticking.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await ticking
    return ended[0] if ended else 0


async def _tick(desk: Desk, app: Application[None], texts: Transcript) -> None:
    """Keeps the desk going. A desk that leaves by itself ends the line that is open."""
    shown: object = None
    with _failing(app):
        while True:
            desk.tick()
            size = app.output.get_size()
            desk.resize(size.columns)
            # only what is seen differently is drawn: the whole screen costs more than all the rest of a tick
            now = _drawn(desk, size, _stage_height(size, texts)), size, texts.said, texts.tall
            if now != shown and app.is_running:
                shown = now
                app.invalidate()
            if desk.left:
                _leave(app)
            await asyncio.sleep(TICK_SECONDS)


def _leave(app: Application[None], problem: Exception | None = None) -> None:
    """Ends the prompt, if it is on; with a problem, that is raised from it."""
    if app.is_running and app.future is not None and not app.future.done():
        if problem is None:
            app.exit()
        else:
            app.exit(exception=problem)


@contextlib.contextmanager
def _failing(app: Application[None]) -> Iterator[None]:
    """What goes wrong at the desk ends the prompt, with its reason."""
    try:
        yield
    except Exception as problem:
        _leave(app, problem)


@contextlib.contextmanager
def _leaving_by_signal(app: Application[None], ended: list[int]) -> Iterator[None]:
    """SIGTERM and SIGHUP close the line that is open, and `ended` gets the exit code."""
    loop = asyncio.get_running_loop()

    def leave(number: int) -> None:
        ended.append(128 + number)
        _leave(app)

    def installed(number: int, _: object) -> None:
        loop.call_soon_threadsafe(leave, number)

    with _handled("SIGTERM", installed), _handled("SIGHUP", installed):
        yield


@contextlib.contextmanager
def _handled(name: str, handler: Callable[[int, FrameType | None], object]) -> Iterator[None]:
    """This handler for a signal, where the system has it."""
    number, before = getattr(signal, name, None), None
    if number is not None:
        with contextlib.suppress(ValueError):  # not the main thread: signals are another's matter
            before = signal.signal(number, handler)
    try:
        yield
    finally:
        if number is not None and before is not None:
            signal.signal(number, before)


def _at_terminal() -> bool:
    """True while there is a terminal to read from."""
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


def _application(desk: Desk, history: Path | None, texts: Transcript) -> Application[None]:
    """The whole screen: the stage, what was said, the prompt; on a small one two lines instead of the
    stage."""

    def accept(line: Buffer) -> bool:
        if line.text.strip():
            texts(f"{_question(desk)}{line.text}")
            with _failing(app):
                desk.enter(line.text)
            if desk.left:
                _leave(app)
        return False

    def height() -> int:
        return _stage_height(app.output.get_size(), texts)

    def stage() -> StyleAndTextTuples:
        return [
            piece for line in _drawn(desk, app.output.get_size(), height()) for piece in (*line, ("", "\n"))
        ]

    def said() -> StyleAndTextTuples:
        rows = max(app.output.get_size().rows - (height() or TOOLBAR_LINES) - 1, 1)
        texts.back = min(texts.back, max(len(texts.lines) - rows, 0))
        end = len(texts.lines) - texts.back
        return [("", "\n".join(list(texts.lines)[max(end - rows, 0) : end]))]

    large = Condition(lambda: height() > 0)
    line = Buffer(history=_history(history), multiline=False, accept_handler=accept)
    asked = BeforeInput(lambda: _question(desk))
    layout = HSplit(
        [
            ConditionalContainer(Window(FormattedTextControl(stage), height=height), large),
            Window(FormattedTextControl(said), wrap_lines=True),
            Window(BufferControl(line, input_processors=[asked]), height=1),
            ConditionalContainer(
                Window(FormattedTextControl(stage), height=TOOLBAR_LINES, style="reverse"), ~large
            ),
        ]
    )
    app: Application[None] = Application(
        Layout(layout, focused_element=line), key_bindings=_bindings(desk, texts), full_screen=True
    )
    return app


def _stage_height(size: Size, texts: Transcript) -> int:
    """Lines of the stage; 0 on a small screen, and where a long text takes its room until the next key."""
    height = stage_height(size.columns, size.rows)
    return height if texts.tall <= size.rows - height - 1 else 0


def _drawn(desk: Desk, size: Size, height: int) -> list[list[tuple[str, str]]]:
    """The stage, or the two lines instead of it."""
    if height:
        return stage_lines(desk.stage(curve_columns(size.columns)), size.columns, height)
    return [[("", line)] for line in toolbar_lines(desk.bar(), size.columns)]


def _question(desk: Desk) -> str:
    return "y/n> " if desk.asks else "> "


def _bindings(desk: Desk, texts: Transcript) -> KeyBindings:
    """The keys of KEYS and, in a trial, of TRIAL_KEYS, on an empty line where nothing is asked."""
    bindings = KeyBindings()

    def press(app: Application[None], line: str) -> None:
        texts.tall = 0
        with _failing(app):
            desk.press(line)

    def add(key: str, line: str, where: Condition) -> None:
        @bindings.add(key, filter=where, eager=True)
        def _(event: KeyPressEvent) -> None:
            press(event.app, line)

    empty = Condition(lambda: not get_app().current_buffer.text and not desk.asks)
    trial = Condition(lambda: not get_app().current_buffer.text and not desk.asks and desk.in_trial)
    for key, line in KEYS.items():
        add(key, line, empty)
    for key, line in TRIAL_KEYS.items():
        add(key, line, trial)

    asked = Condition(lambda: not get_app().current_buffer.text and desk.asks)
    answered_at = [float("-inf")]
    just_answered = Condition(lambda: time.monotonic() - answered_at[0] < ANSWERED_SECONDS)
    for letter in ("y", "n"):

        @bindings.add(letter, filter=asked, eager=True)
        def _(event: KeyPressEvent) -> None:
            answered_at[0] = time.monotonic()
            event.current_buffer.text = event.data
            event.current_buffer.validate_and_handle()

    @bindings.add("enter", filter=trial, eager=True)
    @bindings.add("enter", filter=empty & just_answered, eager=True)
    @bindings.add("c-z")
    def _(_: KeyPressEvent) -> None:
        """Nothing: a trial has no marks, y needs no Enter any more, and a prompt that is sent away would play
        on unseen."""

    @bindings.add("tab", filter=~empty)
    def _(event: KeyPressEvent) -> None:
        _complete(desk, event.current_buffer, texts)

    @bindings.add("c-c")
    @bindings.add("<sigint>")
    def _(event: KeyPressEvent) -> None:
        texts.tall = 0
        event.current_buffer.reset()
        with _failing(event.app):
            desk.interrupt()

    @bindings.add("c-d", filter=Condition(lambda: not get_app().current_buffer.text))
    def _(event: KeyPressEvent) -> None:
        _leave(event.app)

    @bindings.add("pageup")
    def _(_: KeyPressEvent) -> None:
        texts.back += PAGE_LINES

    @bindings.add("pagedown")
    def _(_: KeyPressEvent) -> None:
        texts.back = max(texts.back - PAGE_LINES, 0)

    return bindings


def _complete(desk: Desk, buffer: Buffer, texts: Transcript) -> None:
    """Takes the words as far as they agree; where they part, shows them above the line."""
    before = buffer.document.text_before_cursor
    words = list(desk.candidates(before))
    if not words:
        return
    typed = words[0].replaces
    common = os.path.commonprefix([word.text for word in words])  # noqa: RUF071 - of words, not of paths
    if len(common) > typed or (len(words) == 1 and common != before[len(before) - typed :]):
        buffer.delete_before_cursor(typed)
        buffer.insert_text(common)
    elif len(words) > 1:
        texts(_choice(words, get_app().output.get_size().columns))


def _choice(words: Sequence[Word], width: int) -> str:
    """The words in columns, each with its meaning where that fits."""
    if len(words) <= MOST_EXPLAINED and any(word.meaning for word in words):
        room = max(len(word.text) for word in words)
        lines = [f"  {word.text:<{room}}  {word.meaning}".rstrip() for word in words]
        return "\n".join(line[: width - 1] for line in lines)
    return textwrap.fill("  ".join(word.text.strip() for word in words), width - 1, initial_indent="  ")


class _KeptHistory(FileHistory):
    """A history whose file cannot be written goes on without it."""

    def store_string(self, string: str) -> None:
        with contextlib.suppress(OSError):
            super().store_string(as_utf8(string))

    def load_history_strings(self) -> Iterable[str]:
        try:
            return list(super().load_history_strings())
        except OSError:
            return []


def _history(path: Path | None) -> History:
    """Lines of earlier sessions: the user's own affair, so the file is for the user alone."""
    if path is None:
        return InMemoryHistory()
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        os.close(open_to_write(path, os.O_APPEND))
        if path.stat().st_size > LARGEST_HISTORY_BYTES:
            return InMemoryHistory()
    except OSError:
        return InMemoryHistory()
    return _KeptHistory(path)


REMARK = "#"


def run_plain(
    desk: Desk, lines: Iterable[str], say: Callable[[str], None], keep_on_interrupt: bool = False
) -> int:
    """Reads lines until they end or the desk is left; 0. The lines are read by a thread of their own, so
    that the desk goes on while the next one is awaited. With `keep_on_interrupt` (a keyboard at the other
    end) Ctrl-C stops what plays; without it, it ends the session as it ends every command."""
    if isinstance(lines, io.TextIOWrapper):  # a byte that is no text costs its character, not what follows
        lines.reconfigure(errors="surrogateescape")
    waiting: queue.Queue[str | None] = queue.Queue(maxsize=1)
    threading.Thread(target=_read, args=(lines, waiting), daemon=True).start()
    while not desk.left:
        try:
            try:
                line = waiting.get(timeout=TICK_SECONDS)
            except queue.Empty:
                desk.tick()
                continue
            if line is None:
                break
            if line.strip() and not line.lstrip().startswith(REMARK):
                say(f"> {line.strip()}")
                desk.enter(line)
                desk.tick()
        except KeyboardInterrupt:
            if not keep_on_interrupt:
                raise
            handle_signals_again()
            desk.interrupt()
    return 0


def _read(lines: Iterable[str], waiting: queue.Queue[str | None]) -> None:
    try:
        for line in lines:
            waiting.put(line)
    except (OSError, ValueError):  # closed from the other side, or bytes that are no text
        pass
    waiting.put(None)
