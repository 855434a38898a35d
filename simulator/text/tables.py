"""Figures as aligned lines, drawn by rich."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.units import format_time
from simulator.metering import figures
from simulator.metering.figures import View
from simulator.metering.measurement import Measurement

if TYPE_CHECKING:
    from rich.table import Table


def grid(headings: Sequence[str], right: Sequence[bool], title: str = "") -> Table:
    """An empty table in the project's look: columns by space, one rule under the headings."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, title=title or None, title_justify="left", pad_edge=False)
    for heading, aligned in zip(headings, right, strict=True):
        table.add_column(heading, justify="right" if aligned else "left", overflow="fold")
    return table


def shortened(text: str, longest: int) -> str:
    """A name that fits: what is too long loses its middle, since versions differ at their ends."""
    if len(text) <= longest:
        return text
    tail = (longest - 1) // 2
    return f"{text[: longest - 1 - tail].rstrip()}…{text[len(text) - tail :].lstrip()}"


def measure_rows(files: Sequence[Measurement]) -> list[tuple[str, ...]]:
    """Name, unit and a cell for each of a few files, a row a figure."""
    return [
        (one.label, one.unit, *(one.text(found) for found in files)) for one in figures.rows(View.MEASURE)
    ]


def catalogue_key() -> str:
    """What the headings of the catalogue mean."""
    said = [f"{column.heading}: {column.said}." for _, column in figures.in_catalogue() if column.said]
    more = "All figures: --detail or --csv."
    return textwrap.fill(" ".join([*said, more]), 80)


def catalogue(files: Sequence[tuple[str, Measurement]], width: int = 80) -> list[str]:
    """Many files, a line each under one head: the name, and the figures that the table of figures gives a
    column in the catalogue."""
    shown = figures.in_catalogue()
    widths = [column.width for _, column in shown]
    room = max(12, width - sum(widths))
    lines = [_line("", [column.heading for _, column in shown], widths, room)]
    lines += [_line(name, [one.text(found) for one, _ in shown], widths, room) for name, found in files]
    return lines


def _line(name: str, texts: Sequence[str], widths: Sequence[int], room: int) -> str:
    from rich.cells import cell_len, set_cell_size

    if cell_len(name) > room:
        name = shortened(name, room)
        while cell_len(name) > room:  # wide characters
            name = shortened(name, len(name) - 1)
    cells = [text.rjust(width) for text, width in zip(texts, widths, strict=True)]
    return set_cell_size(name, room) + "".join(cells)


def file_line(found: Measurement) -> str:
    """Length and format in words."""
    length, rate = format_time(found.duration_s), f"{found.sample_rate / 1000:g} kHz"
    return f"{length}, {rate}, {layout_words(found.channels)}"


def layout_words(channels: int) -> str:
    """`stereo`, `5.1`."""
    return {1: "mono", 2: "stereo", 5: "5.0", 6: "5.1"}.get(channels, f"{channels} channels")
