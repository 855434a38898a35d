"""One recording over time, and several files as bars from loudness to true peak."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from simulator.common.text import level
from simulator.comparison.versions import SECONDS, STEPS_PER_SECOND
from simulator.metering.measurement import Measurement
from simulator.text.charts.style import LONGEST_NAME, clock
from simulator.text.colours import LOUD, VERSIONS
from simulator.text.comparison.curves import short_term_curve
from simulator.text.tables import shortened

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def loudness_figure(name: str, measured: Measurement) -> Figure:
    """One recording over time: short-term and integrated loudness, and the true peak of each 100 ms."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 3.6), dpi=110, layout="constrained")
    axes = figure.subplots()
    times, levels = short_term_curve(measured)
    peaks = 20.0 * np.log10(np.maximum(measured.series.true_peak, 1e-7))
    peak_times = np.arange(peaks.size) / STEPS_PER_SECOND
    axes.plot(peak_times, peaks, color="#9a9a9a", linewidth=0.7, label="true peak (dBTP)")
    axes.plot(times + SECONDS / 2.0, levels, color=VERSIONS[0], linewidth=2.0, label="short-term (LUFS)")
    if measured.integrated_lufs is not None:
        said = f"integrated ({level(measured.integrated_lufs)} LUFS)"
        axes.axhline(measured.integrated_lufs, color=VERSIONS[0], linewidth=1.2, linestyle="--", label=said)
    known = levels[~np.isnan(levels)]
    axes.set_ylim((known.min() if known.size else -40.0) - 6.0, max(3.0, peaks.max(initial=0.0) + 2.0))
    clock(axes, measured.duration_s)
    axes.set_xlabel("time (min:s)")
    axes.set_ylabel("level re full scale (dB)")
    axes.grid(visible=True, axis="y", color="#e2e2e2", linewidth=0.6)
    axes.set_title(name, loc="left", fontsize=11.0)
    figure.legend(loc="outside lower left", ncols=3, frameon=False)
    return figure


def levels_figure(
    title: str,
    files: Sequence[tuple[str, Measurement]],
    target_lufs: float | None,
    ceiling_dbtp: float | None,
) -> Figure:
    """A bar a file from its loudness to its true peak, and lines at the target and the ceiling."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 1.6 + 0.4 * len(files)), dpi=110, layout="constrained")
    axes = figure.subplots()
    for place, (_, found) in enumerate(files):
        loudness, peak = found.integrated_lufs, found.true_peak_dbtp
        if loudness is not None and peak is not None:
            axes.barh(place, peak - loudness, left=loudness, height=0.55, color=VERSIONS[0])
            said = f" {level(loudness)} LUFS to {level(peak)} dBTP"
            axes.text(max(peak, 0.0), place, said, va="center", fontsize=9.0)
    if target_lufs is not None:
        axes.axvline(target_lufs, color="#555555", linestyle="--", label=f"target {level(target_lufs)} LUFS")
    if ceiling_dbtp is not None:
        axes.axvline(ceiling_dbtp, color=LOUD, linestyle=":", label=f"ceiling {level(ceiling_dbtp)} dBTP")
    axes.axvline(0.0, color="black", linewidth=1.2, label="full scale")
    axes.set_yticks(range(len(files)), [shortened(name, LONGEST_NAME) for name, _ in files])
    axes.invert_yaxis()
    axes.xaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.set_xlabel("level re full scale (dB)")
    shown = [one for _, found in files for one in (found.integrated_lufs, found.true_peak_dbtp)]
    known = [0.0, *(one for one in (*shown, target_lufs) if one is not None)]
    axes.set_xlim(min(known) - 1.0, max(known) + 0.3 * (max(known) - min(known)) + 1.0)
    axes.set_title(title, loc="left", fontsize=11.0)
    figure.legend(loc="outside lower left", ncols=3, frameon=False)
    return figure
