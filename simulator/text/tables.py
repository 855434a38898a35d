"""Figures as aligned lines, drawn by rich."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.numbers import level, share
from simulator.common.units import format_time
from simulator.metering.measurement import Measurement

if TYPE_CHECKING:
    from rich.table import Table

MEASURE_ROWS = (
    ("Integrated loudness", "LUFS"),
    ("Loudest passage (3 s)", "LUFS"),
    ("Quietest passage", "LUFS"),
    ("Contrast", "LU"),
    ("Loudness range", "LU"),
    ("Highest momentary (0.4 s)", "LUFS"),
    ("True peak", "dBTP"),
    ("Sample peak", "dBFS"),
    ("Punch: peak to loudness", "dB"),
    ("Punch: median peak to 3 s", "dB"),
    ("Crest factor", "dB"),
    ("Overs between samples", "events"),
    ("Clipped runs", "runs"),
    ("At its ceiling", "of samples"),
    ("Correlation L to R", ""),
)


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


def measured_cells(found: Measurement) -> list[str]:
    """One file's figures in the order of MEASURE_ROWS."""
    correlation = level(found.correlation, 2)
    return [
        level(found.integrated_lufs),
        level(found.max_short_term_lufs),
        level(found.quietest_passage_lufs),
        level(found.contrast_lu),
        level(found.loudness_range_lu),
        level(found.max_momentary_lufs),
        level(found.true_peak_dbtp),
        level(found.sample_peak_dbfs),
        level(found.peak_to_loudness_db),
        level(found.median_peak_to_short_term_db),
        level(found.crest_factor_db),
        str(found.over_count),
        str(found.clipped_run_count),
        share(found.share_at_ceiling),
        correlation,
    ]


CATALOGUE = ("LUFS", "loudest", "LRA", "dBTP", "punch", "overs", "clips", "length")
CATALOGUE_KEY = """\
LUFS: integrated loudness. loudest: the loudest 3 seconds, LUFS. LRA: loudness
range, LU. dBTP: true peak. punch: peak to loudness, dB. overs: between samples.
clips: clipped runs. Every figure of a file: name 12 files or fewer, or --csv."""
_WIDTHS = (7, 9, 6, 7, 7, 7, 7, 9)


def catalogue(files: Sequence[tuple[str, Measurement]], width: int = 80) -> list[str]:
    """Many files, a line each under one head: name, integrated loudness, loudest passage, range, true peak,
    peak to loudness, overs and clipped runs, length."""
    room = max(12, width - sum(_WIDTHS))
    lines = [_line("", CATALOGUE, room)]
    for name, found in files:
        figures = (
            level(found.integrated_lufs),
            level(found.max_short_term_lufs),
            level(found.loudness_range_lu),
            level(found.true_peak_dbtp),
            level(found.peak_to_loudness_db),
            str(found.over_count),
            str(found.clipped_run_count),
            format_time(found.duration_s),
        )
        lines.append(_line(name, figures, room))
    return lines


def _line(name: str, figures: Sequence[str], room: int) -> str:
    from rich.cells import cell_len, set_cell_size

    if cell_len(name) > room:
        name = shortened(name, room)
        while cell_len(name) > room:  # wide characters
            name = shortened(name, len(name) - 1)
    cells = [figure.rjust(width) for figure, width in zip(figures, _WIDTHS, strict=True)]
    return set_cell_size(name, room) + "".join(cells)


def file_line(found: Measurement) -> str:
    """Length and format in words."""
    kind = {1: "mono", 2: "stereo", 5: "5.0", 6: "5.1"}.get(found.channels, f"{found.channels} channels")
    return f"{format_time(found.duration_s)}, {found.sample_rate / 1000:g} kHz, {kind}"
