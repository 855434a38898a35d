"""Figures as aligned lines, drawn by rich."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.text import level
from simulator.common.units import format_time
from simulator.metering import figures
from simulator.metering.figures import View
from simulator.metering.loudness_tags import LoudnessTags
from simulator.metering.measurement import Measurement

if TYPE_CHECKING:
    from rich.table import Table


TAG_HEADING, TAG_WIDTH = "tag", 7


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


Tags = Sequence[LoudnessTags | None]


def measure_rows(files: Sequence[Measurement], tags: Tags) -> list[tuple[str, ...]]:
    """Name, unit and a cell for each of a few files, a row a figure; the loudness that tags state stands
    beneath the measured one, where a file has tags."""
    rows = [(one.label, one.unit, *(one.text(file) for file in files)) for one in figures.rows(View.MEASURE)]
    if any(tags):
        rows.insert(1, ("Loudness by its tag", "LUFS", *map(_tagged, tags)))
    return rows


def _tagged(tags: LoudnessTags | None) -> str:
    return level(None if tags is None else tags.track_lufs)


def catalogue_key(tags: Tags) -> str:
    """What the headings of the catalogue mean."""
    said = [f"{column.heading}: {column.said}." for _, column in figures.in_catalogue() if column.said]
    said += [f"{TAG_HEADING}: loudness by the file's track gain tag, LUFS."] * any(tags)
    more = "All figures: --detail or --csv."
    return textwrap.fill(" ".join([*said, more]), 80)


def catalogue(files: Sequence[tuple[str, Measurement]], tags: Tags, width: int) -> list[str]:
    """Many files, a line each under one head: the name, and the figures that the table of figures gives a
    column in the catalogue; the loudness that tags state, where a file has tags."""
    shown = figures.in_catalogue()
    extra = [TAG_HEADING] * any(tags)
    widths = [*(column.width for _, column in shown), *(TAG_WIDTH for _ in extra)]
    room = max(12, width - sum(widths))
    lines = [_line("", [*(column.heading for _, column in shown), *extra], widths, room)]
    for (name, found), own in zip(files, tags, strict=True):
        cells = [*(one.text(found) for one, _ in shown), *(_tagged(own) for _ in extra)]
        lines.append(_line(name, cells, widths, room))
    return lines


def _line(name: str, texts: Sequence[str], widths: Sequence[int], room: int) -> str:
    from rich.cells import cell_len, set_cell_size

    if cell_len(name) > room:
        name = shortened(name, room)
        while cell_len(name) > room:  # wide characters
            name = shortened(name, len(name) - 1)
    cells = [text.rjust(width) for text, width in zip(texts, widths, strict=True)]
    return set_cell_size(name, room) + "".join(cells)


def file_line(measurement: Measurement) -> str:
    """Length and format in words."""
    length, rate = format_time(measurement.duration_s), f"{measurement.sample_rate / 1000:g} kHz"
    return f"{length}, {rate}, {layout_words(measurement.channels)}"


def layout_words(channels: int) -> str:
    """`stereo`, `5.1`."""
    return {1: "mono", 2: "stereo", 5: "5.0", 6: "5.1"}.get(channels, f"{channels} channels")
