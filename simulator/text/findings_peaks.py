"""Peaks after conversions, codec and player: a line a track, a column a step.

Overs are moments above 0 dBTP; each step is measured on its own output.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simulator.common.numbers import level
from simulator.metering import figures
from simulator.metering.figures import View
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction

NOTE = "True peak in dBTP after each step; in brackets the overs (moments above 0 dBTP)."


LIMITING_DB = 0.05
"""From here on a limiter is said to act: less is written 0.0."""


def limiter_acts(most_db: float | None) -> bool:
    """By the most that it takes."""
    return most_db is not None and most_db >= LIMITING_DB


def peak_columns(found: Sequence[Prediction | None]) -> list[str]:
    """The names of all steps, in the order of the chain; tracks of another rate may skip one."""
    longest: list[str] = []
    for one in found:
        names = [name for name, _ in one.steps] if one is not None else []
        if len(names) > len(longest):
            longest = names
    return longest


def peak_cells(columns: Sequence[str], master: Measurement, found: Prediction) -> list[str]:
    """One track: master, each step, as played."""
    steps = dict(found.steps)
    return [
        _cell(master),
        *(_cell(steps[name]) if name in steps else level(None) for name in columns),
        _cell(found.played),
    ]


def step_objects(found: Prediction) -> list[dict[str, Any]]:
    """The steps for JSON, in order."""
    return [
        {
            "step": name,
            **{one.key: one.value(after) for one in figures.columns(View.STEP)},
        }
        for name, after in found.steps
    ]


def _cell(found: Measurement) -> str:
    return f"{level(found.true_peak_dbtp, 2)} ({found.over_count})"
