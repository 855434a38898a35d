"""What stands out among measured files, and their loudness over time in one line."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simulator.common.text import level, printed_gap, signed
from simulator.common.units import LOUDNESS_OFFSET_DB, TIE_LU
from simulator.metering import gating
from simulator.metering.measurement import Measurement
from simulator.text.comparison.curves import sparkline

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
        return " ".join([_levels(name, found), *faults])
    faults = _faults(files, over_above_dbtp)
    if not faults:
        return f"{_span(files)} Nothing else stands out: no overs, no clipped runs."
    return " ".join([*faults[:2], _span(files)])


def _levels(name: str, measurement: Measurement) -> str:
    """One file, in a sentence."""
    return (
        f"{name} measures {level(measurement.integrated_lufs)} LUFS integrated, with a true peak of "
        f"{signed(measurement.true_peak_dbtp)} dBTP."
    )


def _span(files: Sequence[tuple[str, Measurement]]) -> str:
    known = [(found.integrated_lufs, name) for name, found in files if found.integrated_lufs is not None]
    if len(known) < 2:
        return "No two files have a measurable loudness."
    (high, loud), (low, quiet) = max(known), min(known)
    gap = printed_gap(high, low)
    if gap is None or gap <= TIE_LU:
        return (
            "Both files are equally loud." if len(known) == 2 else f"All {len(known)} files are equally loud."
        )
    among = "" if len(files) == 2 else f", loudest of {len(files)},"
    return f"{loud}{among} is {level(gap)} LU louder than {quiet}."


def _faults(files: Sequence[tuple[str, Measurement]], over_above_dbtp: float) -> list[str]:
    """Overs, clipped runs, channels out of phase: the worst file by name, the others counted."""
    said = []
    over = [(found.over_count, name, found) for name, found in files if found.over_count]
    if over:
        count, name, found = max(over, key=lambda one: one[:2])
        above = "" if over_above_dbtp == 0.0 else f" above {signed(over_above_dbtp)} dBTP"
        peaks = "" if len(files) == 1 else f" and peaks at {signed(found.true_peak_dbtp)} dBTP"
        overs = f"{count} inter-sample over{'' if count == 1 else 's'}{above}"
        said.append(f"{_who(name, len(over), len(files))} {overs}{peaks}.")
    clipped = [(found.clipped_run_count, name) for name, found in files if found.clipped_run_count]
    if clipped:
        count, name = max(clipped)
        runs = f"{count} clipped run{'' if count == 1 else 's'}"
        said.append(f"{_who(name, len(clipped), len(files))} {runs}.")
    turned = [(found.correlation, name) for name, found in files if (found.correlation or 0.0) < 0.0]
    if turned:
        value, name = min(turned)
        said.append(f"{name} has an L/R correlation of {level(value, 2)}: check it in mono.")
    return said


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
