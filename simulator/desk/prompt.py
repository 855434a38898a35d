"""The prompt on a terminal: lines, keys, completion, history and the toolbar. It holds no rules: every line
and key goes to the desk, and ten times a second the desk is asked for what the toolbar says.

Everything runs in one thread, so a line and a tick never meet. Ctrl-C stops what plays (after the line that
is being worked at), Ctrl-D leaves, and SIGTERM and SIGHUP leave by the same way out, so that the terminal
comes back as it was. One that is gone counts as SIGHUP, whether the signal came or not.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Protocol

from prompt_toolkit import PromptSession
from prompt_toolkit.filters import Condition
from prompt_toolkit.formatted_text import StyleAndTextTuples
from prompt_toolkit.history import FileHistory, History, InMemoryHistory
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.patch_stdout import patch_stdout
from prompt_toolkit.styles import Style

from simulator.common.text import as_utf8
from simulator.session.commands import keys
from simulator.session.events import TICK_SECONDS
from simulator.storage.small_files import MEBIBYTE, open_to_write
from simulator.text.status_bar import Bar, toolbar_lines

if TYPE_CHECKING:
    from prompt_toolkit.buffer import Buffer

KEYS = {" " if key == "space" else key: pressed for key, pressed in keys().items()}
"""Keys that act at once on an empty line."""
MOST_EXPLAINED = 24
LARGEST_HISTORY_BYTES = 16 * MEBIBYTE
"""One that is larger is left alone: all of it is read at the first line."""
HANGUP = 1
"""SIGHUP's number, on systems without it too."""
STYLE = Style.from_dict({"bottom-toolbar": "reverse"})


class Candidate(Protocol):
    """A word that may stand at the cursor: `text` takes the place of the last `replaces` characters."""

    @property
    def text(self) -> str: ...
    @property
    def replaces(self) -> int: ...
    @property
    def meaning(self) -> str: ...


class PromptDesk(Protocol):
    """What the prompt needs of the desk (see desk/controller.py)."""

    @property
    def left(self) -> bool: ...
    @property
    def asks(self) -> bool: ...
    def enter(self, line: str) -> None: ...
    def press(self, key: str) -> None: ...
    def interrupt(self) -> None: ...
    def tick(self) -> None: ...
    def resize(self, width: int) -> None: ...
    def bar(self) -> Bar: ...
    def candidates(self, before: str) -> Iterable[Candidate]: ...


def run_prompt(desk: PromptDesk, history: Path | None) -> int:
    """Reads lines until the desk is left; 0, or 128 + the signal that ended it."""
    return asyncio.run(_run(desk, history))


async def _run(desk: PromptDesk, history: Path | None) -> int:
    session = _session(desk, history)
    ended: list[int] = []
    interrupts: list[int] = []
    at_terminal = _at_terminal()
    with (
        _leaving_by_signal(session, ended),
        _handled("SIGINT", lambda number, _: interrupts.append(number)),  # the open line has one of its own
        patch_stdout(raw=True),
    ):
        ticking = asyncio.create_task(_tick(desk, session))
        try:
            while not (desk.left or ended):
                desk.resize(_columns())
                try:
                    line = await session.prompt_async(_question(desk))
                except KeyboardInterrupt:
                    desk.interrupt()
                except (EOFError, OSError):
                    if at_terminal and not _at_terminal():  # its window was closed
                        ended.append(128 + HANGUP)
                    break
                else:
                    if line.strip():
                        desk.enter(line)
                if interrupts:
                    interrupts.clear()
                    desk.interrupt()
                if ticking.done():
                    ticking.result()  # raises what went wrong there
        finally:
            ticking.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await ticking
    return ended[0] if ended else 0


async def _tick(desk: PromptDesk, session: PromptSession[str]) -> None:
    """Keeps the desk going. A desk that leaves by itself ends the line that is open."""
    shown: Bar | None = None
    try:
        while True:
            desk.tick()
            bar = desk.bar()
            if bar != shown and session.app.is_running:
                shown = bar
                session.app.invalidate()
            if desk.left:
                _close_line(session)
            await asyncio.sleep(TICK_SECONDS)
    except Exception:
        _close_line(session)  # the loop above finds the reason
        raise


def _close_line(session: PromptSession[str]) -> None:
    """Ends the line that is open, if one is."""
    future = session.app.future
    if session.app.is_running and future is not None and not future.done():
        session.app.exit(exception=EOFError())


@contextlib.contextmanager
def _leaving_by_signal(session: PromptSession[str], ended: list[int]) -> Iterator[None]:
    """SIGTERM and SIGHUP close the line that is open, and `ended` gets the exit code."""
    loop = asyncio.get_running_loop()

    def leave(number: int) -> None:
        ended.append(128 + number)
        _close_line(session)

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
    """Is there (still) a terminal to read from?"""
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


def _session(desk: PromptDesk, history: Path | None) -> PromptSession[str]:
    def toolbar() -> StyleAndTextTuples:
        lines = toolbar_lines(desk.bar(), session.app.output.get_size().columns)
        return [("", "\n".join(lines))]

    session: PromptSession[str] = PromptSession(
        history=_history(history),
        reserve_space_for_menu=0,
        key_bindings=_bindings(desk),
        bottom_toolbar=toolbar,
        style=STYLE,
        enable_suspend=False,
    )
    return session


def _question(desk: PromptDesk) -> str:
    return "y/n> " if desk.asks else "> "


def _bindings(desk: PromptDesk) -> KeyBindings:
    """The keys of KEYS, on an empty line where nothing is asked."""
    bindings = KeyBindings()

    def add(key: str, act: str) -> None:
        @bindings.add(key, filter=empty, eager=True)
        def _(_: KeyPressEvent) -> None:
            desk.press(act)

    @Condition
    def empty() -> bool:
        from prompt_toolkit.application import get_app

        return not get_app().current_buffer.text and not desk.asks

    for key, act in KEYS.items():
        add(key, act)

    @bindings.add("tab", filter=~empty)
    def _(event: KeyPressEvent) -> None:
        _complete(desk, event.current_buffer)

    return bindings


def _complete(desk: PromptDesk, buffer: Buffer) -> None:
    """Takes the words as far as they agree; where they part, shows them above the line. (prompt_toolkit's own
    list would leave copies of the toolbar behind.)"""
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
        print(_choice(words, _columns()))


def _choice(words: Sequence[Candidate], width: int) -> str:
    """The words in columns, each with what it stands for where that fits."""
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


def _columns() -> int:
    return shutil.get_terminal_size((80, 24)).columns
