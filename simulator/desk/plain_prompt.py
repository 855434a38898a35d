"""The prompt's twin without a terminal: the same commands as plain lines, the screens as plain text.

A line that begins with # is a remark. Each line is shown before what it does, so that the output reads as a
record of the session. Time goes on between the lines (a script says `wait`), and the end of the input leaves.
"""

from __future__ import annotations

import io
import queue
import threading
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from simulator.engine.signals import hear_again
from simulator.session.events import TICK_SECONDS

if TYPE_CHECKING:
    from simulator.desk.prompt import PromptDesk

REMARK = "#"


def run_plain(
    desk: PromptDesk, lines: Iterable[str], say: Callable[[str], None], keep_on_interrupt: bool = False
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
            hear_again()
            desk.interrupt()
    return 0


def _read(lines: Iterable[str], waiting: queue.Queue[str | None]) -> None:
    try:
        for line in lines:
            waiting.put(line)
    except (OSError, ValueError):  # closed from the other side, or bytes that are no text
        pass
    waiting.put(None)
