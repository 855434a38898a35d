"""What a command prints: the answer first, then one table, then a few sentences; more with --detail."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable
from enum import StrEnum
from typing import TYPE_CHECKING

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
