"""A bar on standard error for work of more than a second; silent when piped."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

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
