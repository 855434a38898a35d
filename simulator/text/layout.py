"""Layout of texts and tables at the desk's width, as plain lines."""

from __future__ import annotations

import textwrap

from rich.console import Console
from rich.table import Table


def wrapped(text: str, width: int, bullet: str = "") -> list[str]:
    """A paragraph's lines, in at most 100 cells."""
    return textwrap.wrap(
        text,
        max(min(width, 100) - 1, 30),
        initial_indent=bullet,
        subsequent_indent=" " * len(bullet),
        break_on_hyphens=False,
    )


def drawn(table: Table, width: int) -> str:
    """A table as text, without trailing spaces."""
    console = Console(width=width, color_system=None, force_terminal=False, highlight=False, markup=False)
    with console.capture() as taken:
        console.print(table)
    return "\n".join(line.rstrip() for line in taken.get().splitlines() if line.strip())
