"""A bar on standard error for work of more than a second; silent when piped.

Results as data on standard output: JSON, and CSV with the columns of all rows.
"""

from __future__ import annotations

import csv
import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import IO, Any

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


PATIENCE_SECONDS = 1.0


@contextmanager
def steps(title: str, count: int) -> Iterator[Callable[[], None]]:
    """A function to call after each of `count` steps. The bar appears once a second has passed."""
    if not sys.stderr.isatty() or count < 1:
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    begun = time.monotonic()
    bar = Progress(
        TextColumn(title),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task(title, total=count)
    shown = False

    def step() -> None:
        nonlocal shown
        bar.advance(task)
        if not shown and time.monotonic() - begun > PATIENCE_SECONDS:
            bar.start()
            shown = True

    try:
        yield step
    finally:
        if shown:
            bar.stop()
