"""Measured files: what stands out, the table of a few, the list of many, loudness over time in one line."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from simulator.common.text import counted, level, printed_gap, signed
from simulator.common.units import LOUDNESS_OFFSET_DB, TIE_LU, format_time
from simulator.metering import figures, gating
from simulator.metering.figures import View
from simulator.metering.loudness_tags import LoudnessTags
from simulator.metering.measurement import Measurement
from simulator.text.comparison.curves import sparkline
from simulator.text.tables import layout_words, shortened

LABEL_WIDTH = 38
"""Characters of the names and units of the figures, with the space behind them."""
CURVE_LU = 20.0
"""Depth of the curves: lower is as good as silence."""


def answer(files: Sequence[tuple[str, Measurement]], over_above_dbtp: float) -> str:
    """At most three sentences: peaks and clipping, the loudness of each against the others, or that nothing
    stands out. Anything else is in the table."""
    if len(files) == 1:
        name, found = files[0]
        if found.integrated_lufs is None:
            return f"{name} has no measurable loudness."
        faults = _faults(files, over_above_dbtp) or ["Nothing stands out: no overs, no clipped runs."]
        peak = f"with a true peak of {signed(found.true_peak_dbtp)} dBTP"
        return " ".join([f"{name} measures {level(found.integrated_lufs)} LUFS integrated, {peak}.", *faults])
    faults = _faults(files, over_above_dbtp)
    if not faults:
        return f"{_span(files)} Nothing else stands out: no overs, no clipped runs."
    return " ".join([*faults[:2], _span(files)])


def _span(files: Sequence[tuple[str, Measurement]]) -> str:
    known = [(found.integrated_lufs, name) for name, found in files if found.integrated_lufs is not None]
    if len(known) < 2:
        return "No two files have a measurable loudness."
    (high, loud), (low, quiet) = max(known), min(known)
    gap = printed_gap(high, low)
    if gap is None or gap <= TIE_LU:
        return f"{'Both' if len(known) == 2 else f'All {len(known)}'} files are equally loud."
    among = "" if len(files) == 2 else f", loudest of {len(files)},"
    return f"{loud}{among} is {level(gap)} LU louder than {quiet}."


def _faults(files: Sequence[tuple[str, Measurement]], over_above_dbtp: float) -> list[str]:
    """Overs, clipped runs, channels out of phase: the worst file by name, the others counted."""
    faults = []
    over = [(found.over_count, name, found) for name, found in files if found.over_count]
    if over:
        count, name, found = max(over, key=lambda one: one[:2])
        above = "" if over_above_dbtp == 0.0 else f" above {signed(over_above_dbtp)} dBTP"
        peaks = "" if len(files) == 1 else f" and peaks at {signed(found.true_peak_dbtp)} dBTP"
        overs = f"{counted(count, 'inter-sample over')}{above}"
        faults.append(f"{_who(name, len(over), len(files))} {overs}{peaks}.")
    clipped = [(found.clipped_run_count, name) for name, found in files if found.clipped_run_count]
    if clipped:
        count, name = max(clipped)
        runs = counted(count, "clipped run")
        faults.append(f"{_who(name, len(clipped), len(files))} {runs}.")
    turned = [(found.correlation, name) for name, found in files if (found.correlation or 0.0) < 0.0]
    if turned:
        value, name = min(turned)
        faults.append(f"{name} has an L/R correlation of {level(value, 2)}: check it in mono.")
    return faults


def _who(name: str, count: int, files: int) -> str:
    if files == 1:
        return "It has"
    return f"{name} has" if count == 1 else f"{name}, the worst of {count}, has"


def curve(measurement: Measurement, width: int, *, blocks: bool) -> str:
    """Short-term loudness over the whole file, CURVE_LU deep; empty for less than 3 s."""
    windows = gating.short_term_energies(measurement.series.energy)
    if not windows.size or not windows.max() > 0.0:
        return ""
    levels = LOUDNESS_OFFSET_DB + 10.0 * np.log10(np.maximum(windows, 1e-20))
    top = float(levels.max())
    return sparkline([float(value) for value in levels], top - CURVE_LU, top, width, blocks=blocks)


TAG_HEADING, TAG_WIDTH = "tag", 7
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
    parts = [f"{column.heading}: {column.said}." for _, column in figures.in_catalogue() if column.said]
    parts += [f"{TAG_HEADING}: loudness by the file's track gain tag, LUFS."] * any(tags)
    more = "All figures: --detail or --csv."
    return textwrap.fill(" ".join([*parts, more]), 80)


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
