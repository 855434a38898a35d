"""Tables: their look, names that fit a column, and peaks step by step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.text import level
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction

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


def layout_words(channels: int) -> str:
    """`stereo`, `5.1`."""
    return {1: "mono", 2: "stereo", 5: "5.0", 6: "5.1"}.get(channels, f"{channels} channels")


PEAKS_NOTE = "True peak in dBTP after each step; in brackets the overs (moments above 0 dBTP)."


def peak_columns(predictions: Sequence[Prediction | None]) -> list[str]:
    """The names of all steps, in the order of the chain; tracks of another rate may skip one."""
    longest: list[str] = []
    for one in predictions:
        names = [name for name, _ in one.steps] if one is not None else []
        if len(names) > len(longest):
            longest = names
    return longest


def peak_cells(columns: Sequence[str], master: Measurement, prediction: Prediction) -> list[str]:
    """One track: master, each step, as played."""
    steps = dict(prediction.steps)
    return [
        _peak_cell(master),
        *(_peak_cell(steps[name]) if name in steps else level(None) for name in columns),
        _peak_cell(prediction.played),
    ]


def _peak_cell(measurement: Measurement) -> str:
    return f"{level(measurement.true_peak_dbtp, 2)} ({measurement.over_count})"
