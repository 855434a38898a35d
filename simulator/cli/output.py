"""What a command prints: for people the answer, one table and a few sentences, more with --detail; as data
JSON, or CSV with the columns of all rows; and its progress, on standard error.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from simulator.common.text import visible

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table
    from rich.text import Text

READING_WIDTH = 79
"""Prose is wrapped here in wider terminals too; tables use the whole width."""


class Amount(StrEnum):
    """How much a command prints."""

    QUIET = "quiet"
    NORMAL = "normal"
    DETAIL = "detail"


class Readout:
    """What a command prints for a person: as wide as the terminal, 80 columns where there is none.

    Colours follow NO_COLOR and FORCE_COLOR and are never alone.
    """

    def __init__(self, amount: Amount = Amount.NORMAL) -> None:
        from rich.console import Console
        from rich.theme import Theme

        from simulator.text.colours import TERMINAL_STYLES

        theme = Theme(TERMINAL_STYLES)
        self._console = Console(highlight=False, markup=False, theme=theme)
        if "COLUMNS" not in os.environ and not os.isatty(1):
            self._console.width = READING_WIDTH + 1
        self.width = self._console.width
        self.quiet = amount is Amount.QUIET
        self.detail = amount is Amount.DETAIL
        self.redraws = not self.quiet and sys.stdout.isatty() and not self._console.is_dumb_terminal
        """True where what is shown can be replaced."""
        self.blocks = self._console.encoding.lower().startswith("utf") and os.environ.get("TERM") != "dumb"

    def answer(self, *sentences: str) -> int:
        """What the reader came for, in the first lines; the only thing that --quiet prints. Returns how many
        lines it took."""
        return self.paragraph(" ".join(sentence for sentence in sentences if sentence), style="answer")

    def heading(self, text: str) -> None:
        """The name of a part that --detail adds, or of one file among several."""
        self._console.print(f"\n{text}", style="answer", soft_wrap=True)

    def table(self, table: Table) -> None:
        """One table, its colours kept."""
        self._console.print(table)

    @contextmanager
    def live(self, table: Table) -> Iterator[Callable[[Table], None]]:
        """A table to be replaced while the work goes on, and gone afterwards. Only where `redraws`."""
        from rich.live import Live

        with Live(table, console=self._console, transient=True) as shown:
            yield lambda table: shown.update(table, refresh=True)

    def line(self, text: str | Text = "", style: str | None = None) -> None:
        """One line, not wrapped: a path, a command, a curve."""
        self._console.print(text, style=style, soft_wrap=True)

    def paragraph(self, text: str, *, bullet: str = "", style: str | None = None) -> int:
        """Prose wrapped to the reading width. Returns how many lines it took."""
        lines = textwrap.wrap(
            text,
            min(self.width, READING_WIDTH),
            initial_indent=bullet,
            subsequent_indent=" " * len(bullet),
            break_on_hyphens=False,
        )
        self._console.print("\n".join(lines), style=style, soft_wrap=True)
        return len(lines)

    def sentences(self, texts: Iterable[str]) -> None:
        """A few sentences, a bullet each; none repeats a cell of the table."""
        for text in texts:
            self.paragraph(text, bullet="• ")

    def page(self, page: RenderableType) -> None:
        """A page that wraps itself, no wider than the reading width."""
        with self._console.capture() as held:
            self._console.print(page, width=min(self.width, READING_WIDTH + 1))
        for line in held.get().splitlines():
            print(line.rstrip())


FORMULA = ("=", "+", "-", "@")
"""How a cell begins that spreadsheets work out (OWASP, "CSV injection"; from memory)."""


def json_text(objects: object) -> str:
    """Unrounded; a NaN or an infinity would be a fault of the program and is refused (ValueError)."""
    return json.dumps(objects, indent=1, allow_nan=False, ensure_ascii=False)


def print_json(objects: object) -> None:
    print(json_text(objects))


def _cell(value: Any) -> Any:
    """Numbers as they are; a text like a formula behind an apostrophe, and its controls spelled out."""
    if not isinstance(value, str):
        return value
    text = visible(value)
    return f"'{text}" if text.startswith(FORMULA) or value.startswith(("\t", "\r")) else text


def csv_text(rows: Sequence[Mapping[str, Any]], columns: Sequence[str] | None = None) -> str:
    """A line a row under those columns, or those in the order of first appearance, `error` last."""
    names = columns or [*dict.fromkeys(key for row in rows for key in row if key != "error"), "error"]
    # what a spreadsheet would run as a formula, and what would steer a terminal, is text
    rows = [{key: _cell(value) for key, value in row.items()} for row in rows]
    text = io.StringIO()
    writer = csv.DictWriter(text, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def print_csv(rows: Sequence[Mapping[str, Any]]) -> None:
    print(csv_text(rows), end="")


def save_text(path: Path, text: str, force: bool) -> None:
    """Writes a text file, whole or not at all, in UTF-8 with plain line ends. Raises WriteError."""
    from simulator.storage.writing import whole_file

    with whole_file(path, force) as passing:
        passing.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


PATIENCE_SECONDS, LINE_SECONDS, REDRAW_SECONDS = 1.0, 10.0, 0.1
"""Until the bar appears; between two lines in a pipe; between two looks at how far the work is."""
AS_FILES = "kept as files"


@contextmanager
def steps(title: str, count: int, kept: str = "", shown: bool = True) -> Iterator[Callable[[], None]]:
    """A function to call after each of `count` steps, whose progress is reported meanwhile if `shown`. `kept`
    says what becomes of the steps that are done when Ctrl-C comes; it becomes a note of that exception."""
    reporter = _Reporter(title, count)
    if count and shown and not _quiet():
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
    context = click.get_current_context(silent=True)
    return context is not None and context.params.get("amount") == Amount.QUIET


class _Reporter(threading.Thread):
    """Progress on standard error: a bar on a terminal, a line now and then elsewhere. A thread of its own, so
    that it shows during a single long step too. `count` is an estimate: more steps than that raise it."""

    def __init__(self, title: str, count: int) -> None:
        super().__init__(daemon=True)
        self.title, self.count, self.done, self.over = title, count, 0, threading.Event()

    def step(self) -> None:
        self.done += 1
        self.count = max(self.count, self.done)

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
                bar.update(task, completed=self.done, total=self.count)
