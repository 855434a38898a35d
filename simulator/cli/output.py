"""Progress on standard error: a bar for work of more than a second, a line every ten seconds in a pipe.

Results as data on standard output: JSON, and CSV with the columns of all rows.
"""

from __future__ import annotations

import contextlib
import csv
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import IO, Any

import click

from simulator.common.text import visible

FORMULA = ("=", "+", "-", "@")
"""How a cell begins that spreadsheets work out (OWASP, "CSV injection"; from memory)."""


def print_json(objects: object) -> None:
    """Unrounded; a NaN or an infinity would be a fault of the program and is refused (ValueError)."""
    print(json.dumps(objects, indent=1, allow_nan=False, ensure_ascii=False))


def _cell(value: Any) -> Any:
    """Numbers as they are; a text like a formula behind an apostrophe, and its controls spelled out."""
    if not isinstance(value, str):
        return value
    text = visible(value)
    return f"'{text}" if text.startswith(FORMULA) or value.startswith(("\t", "\r")) else text


def print_csv(rows: Sequence[Mapping[str, Any]]) -> None:
    """A line a row; columns in the order of first appearance, `error` last."""
    write_csv(rows, sys.stdout)


def write_csv(rows: Sequence[Mapping[str, Any]], to: IO[str], columns: Sequence[str] | None = None) -> None:
    """A line a row under those columns, or those in the order of first appearance, `error` last."""
    names = columns or [*dict.fromkeys(key for row in rows for key in row if key != "error"), "error"]
    # what a spreadsheet would run as a formula, and what would steer a terminal, is text
    rows = [{key: _cell(value) for key, value in row.items()} for row in rows]
    writer = csv.DictWriter(to, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


PATIENCE_SECONDS, LINE_SECONDS, REDRAW_SECONDS = 1.0, 10.0, 0.1
"""Until the bar appears; between two lines in a pipe; between two looks at how far the work is."""
IN_THE_CACHE = "kept in the cache: the next run continues from there"
AS_FILES = "kept as files"


@contextmanager
def steps(title: str, count: int, kept: str = "") -> Iterator[Callable[[], None]]:
    """A function to call after each of `count` steps, whose progress is reported meanwhile. `kept` says what
    becomes of the steps that are done when Ctrl-C comes; it becomes a note of that exception."""
    reporter = _Reporter(title, count)
    if count and not _quiet():
        reporter.start()
    try:
        yield reporter.step
    except KeyboardInterrupt as interrupt:
        if kept and reporter.done:
            interrupt.add_note(f"{title}: {reporter.done} done, {kept}.")
        raise
    finally:
        reporter.over.set()
        if reporter.is_alive():
            reporter.join()


def _quiet() -> bool:
    """True where the command was called with --quiet."""
    from simulator.cli.readout import Amount

    context = click.get_current_context(silent=True)
    return context is not None and context.params.get("amount") == Amount.QUIET


class _Reporter(threading.Thread):
    """Progress on standard error: a bar on a terminal, a line now and then elsewhere. A thread of its own, so
    that it shows during a single long step too."""

    def __init__(self, title: str, count: int) -> None:
        super().__init__(daemon=True)
        self.title, self.count, self.done, self.over = title, count, 0, threading.Event()

    def step(self) -> None:
        self.done += 1

    def run(self) -> None:
        with contextlib.suppress(OSError, ValueError):  # nobody reads it any more
            if not sys.stderr.isatty():
                self._lines()
            elif not self.over.wait(PATIENCE_SECONDS):
                self._bar()

    def _lines(self) -> None:
        begun = time.monotonic()
        while not self.over.wait(LINE_SECONDS):
            seconds = round(time.monotonic() - begun)
            line = f"{self.title}: {self.done} of {self.count} after {seconds} s."
            print(line, file=sys.stderr, flush=True)

    def _bar(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn(self.title), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(self.title, total=self.count)
            while not self.over.wait(REDRAW_SECONDS):
                bar.update(task, completed=self.done)
