"""Picture of two versions: short-term loudness over time, as delivered and as played, and their headroom,
drawn by matplotlib.

Readable without colour: the two differ in darkness, in width and in the kind of line, bars by their hatching,
and everything is named in words. Times are the open version's; the loud one is drawn at the moments that
belong together. A 3 s window is drawn at its middle. Matplotlib takes half a second to import, so that is
done only where a picture is asked for. Nothing is written here: the caller saves the figure, under STYLE.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.numbers import level
from simulator.common.units import LOUDNESS_OFFSET_DB
from simulator.comparison.alignment import Alignment
from simulator.comparison.versions import Comparison, Figures, Played
from simulator.metering import gating
from simulator.metering.measurement import Measurement
from simulator.text.comparison.terms import Names

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "fairhearing",
    "text.parse_math": False,  # a name may hold dollar signs
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "hatch.linewidth": 0.8,
}
"""Text stays text in an SVG, and the same numbers give the same file."""
LOUD_LINE: dict[str, Any] = {"color": "#123a5c", "linewidth": 1.5, "linestyle": "-"}
OPEN_LINE: dict[str, Any] = {"color": "#d9781c", "linewidth": 2.0, "linestyle": (0, (4.0, 1.5))}
LOUD_FILL, OPEN_FILL = "#123a5c", "#d9781c"
DEEPEST_LU = 30.0
"""Windows further below the loudest one are not drawn."""
TIME_STEPS_S = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0)


def comparison_figure(
    found: Comparison, played: Played, names: Names, loud: Measurement, open_: Measurement
) -> Figure:
    """Three panels: as delivered, as one player plays them, headroom. `loud` and `open_` as delivered."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 9.6), dpi=110, layout="constrained")
    first, second, bars = figure.subplots(3, 1, height_ratios=[3.0, 3.0, 2.0])
    _over_time(first, found, names, loud, open_, "As delivered")
    heard = (played.loud.prediction.played, played.open.prediction.played)
    gains = f"{names.loud} {_turned(played.side.loud)}, {names.open} {_turned(played.side.open)}"
    _over_time(second, found, names, *heard, f"As played: {played.profile.title}\n{gains}")
    second.sharex(first)
    lowest = min(first.get_ylim()[0], second.get_ylim()[0])
    highest = max(first.get_ylim()[1], second.get_ylim()[1])
    for axes in (first, second):
        axes.set_ylim(lowest, highest)
    _bars(bars, found, played, names)
    lines, words = first.get_legend_handles_labels()
    figure.legend(lines, words, loc="outside upper center", ncols=2, frameon=False, handlelength=3.5)
    return figure


def _over_time(
    axes: Axes, found: Comparison, names: Names, loud: Measurement, open_: Measurement, title: str
) -> None:
    from matplotlib.ticker import MultipleLocator

    sure = found.alignment if found.passages.shared else None
    seconds = max(loud.duration_s, open_.duration_s)
    step_s = next((step for step in TIME_STEPS_S if seconds / step <= 12.0), 1800.0)
    axes.xaxis.set_major_locator(MultipleLocator(step_s))
    for version, measured, look in ((names.loud, loud, LOUD_LINE), (names.open, open_, OPEN_LINE)):
        levels = _levels(measured.series.energy)
        times = np.arange(levels.shape[0]) / 10.0
        if version == names.loud and sure is not None and sure.offset_frames is not None:
            times = _open_times(times, sure)
        axes.plot(times + 1.5, levels, label=version, **look)
    axes.set_title(title, loc="left", fontsize=9.5)
    axes.set_ylabel("short-term loudness (LUFS)")
    axes.set_xlabel(f"time in {names.open} (min:s)" if sure is not None else "time (min:s)")
    axes.xaxis.set_major_formatter(lambda value, _: f"{int(value) // 60}:{int(value) % 60:02d}")
    axes.yaxis.set_major_locator(MultipleLocator(5.0))
    axes.yaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.grid(visible=True, color="#d8d8d8", linewidth=0.6)
    axes.margins(x=0.01)
    if sure is not None:
        for window, word in ((found.passages.loudest, "loudest"), (found.passages.quietest, "quietest")):
            if window.open_s is not None:
                axes.axvspan(window.open_s, window.open_s + 3.0, color="#b8b8b8", alpha=0.6, linewidth=0.0)
                axes.text(
                    window.open_s + 1.5, 0.02, word, rotation=90.0, fontsize=7.5, ha="center", va="bottom",
                    transform=axes.get_xaxis_transform(),
                )  # fmt: skip


def _bars(axes: Axes, found: Comparison, played: Played, names: Names) -> None:
    """From the loudness up to the true peak, and what is left to 0 dBTP or stands over it."""
    from matplotlib.ticker import MultipleLocator

    rows = [
        (f"{names.loud}\nas delivered", found.delivered.loud, LOUD_FILL, "///"),
        (f"{names.open}\nas delivered", found.delivered.open, OPEN_FILL, "..."),
        (f"{names.loud}\nas played", played.side.loud, LOUD_FILL, "///"),
        (f"{names.open}\nas played", played.side.open, OPEN_FILL, "..."),
    ]
    lowest = 0.0
    for place, (_, figures, colour, hatch) in enumerate(rows):
        loudness, peak = figures.integrated_lufs, figures.true_peak_dbtp
        if loudness is None or peak is None:
            continue
        lowest = min(lowest, loudness)
        axes.barh(
            place, peak - loudness, left=loudness, height=0.6, color=colour, edgecolor="white", hatch=hatch
        )
        if peak < 0.0:
            axes.barh(place, -peak, left=peak, height=0.6, color="white", edgecolor="#555555", linewidth=0.8)
        word = f"{level(-peak)} dB unused" if peak <= 0.0 else f"{level(peak)} dB over full scale"
        axes.text(max(peak, 0.0) + 0.3, place, word, va="center", fontsize=8.5)
    axes.axvline(0.0, color="black", linewidth=1.2)
    axes.set_yticks(range(len(rows)), [row[0] for row in rows], fontsize=8.0)
    axes.invert_yaxis()
    axes.set_xlim(lowest - 1.0, 7.0)
    axes.xaxis.set_major_locator(MultipleLocator(2.0))
    axes.xaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.set_title(
        "Headroom: hatched from the loudness to the true peak; white is unused up to full scale",
        loc="left",
        fontsize=10.0,
    )
    axes.set_xlabel("dB below full scale (loudness in LUFS, true peak in dBTP)")
    axes.grid(visible=True, axis="x", color="#d8d8d8", linewidth=0.6)
    axes.set_axisbelow(True)


def _open_times(times: NDArray[np.float64], found: Alignment) -> NDArray[np.float64]:
    """Moments of the loud version in the open one's time; a gap where an edited one has none."""
    stretch = 1.0 + (found.drift_ppm or 0.0) * 1e-6
    if not found.pieces:
        placed: NDArray[np.float64] = (times - (found.offset_s or 0.0)) / stretch
        return placed
    placed = np.full(times.shape[0], np.nan)
    for piece in found.pieces:
        own = (times - piece.offset_s) / stretch
        inside = (own >= piece.first_start_s) & (own + 3.0 <= piece.first_end_s)
        placed[inside] = own[inside]
    return placed


def _levels(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Short-term loudness (windows,); a gap where a window is too quiet to be drawn."""
    windows = gating.short_term_energies(energy)
    levels = LOUDNESS_OFFSET_DB + 10.0 * np.log10(np.maximum(windows, 1e-20))
    deepest = levels.max(initial=-70.0) - DEEPEST_LU
    drawn: NDArray[np.float64] = np.where(levels >= deepest, levels, np.nan)
    return drawn


def _turned(figures: Figures) -> str:
    gain = figures.gain_db
    return (
        "as it is" if abs(gain) < 0.05 else f"turned {'up' if gain > 0.0 else 'down'} {level(abs(gain))} dB"
    )
