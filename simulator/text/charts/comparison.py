"""Picture of versions of a song: short-term loudness over time, as delivered and as played, and their
headroom, drawn by matplotlib.

Readable without colour: versions differ in width and kind of line and in hatching, and each line is named
where it ends. Colours are those of `text/colours.py`. Times are the open version's; the others are drawn at
the moments that belong together. A 3 s window is drawn at its middle. Matplotlib takes half a second to
import, so that is done only where a picture is asked for. Nothing is written here: the caller saves the
figure, under STYLE.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simulator.common.numbers import level
from simulator.comparison.alignment import Alignment
from simulator.comparison.passages import SECONDS, Passages
from simulator.comparison.versions import Figures
from simulator.metering.measurement import Measurement
from simulator.text.colours import VERSIONS
from simulator.text.comparison.curves import short_term_curve
from simulator.text.comparison.played import turned
from simulator.text.tables import shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "fairhearing",
    "text.parse_math": False,  # a name may hold dollar signs
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 10.0,
    "hatch.linewidth": 0.8,
    "axes.edgecolor": "#777777",
    "axes.spines.top": False,
    "axes.spines.right": False,
}
"""Text stays text in an SVG, and the same numbers give the same file."""
LINES: tuple[dict[str, Any], ...] = (
    {"linewidth": 2.6, "linestyle": "-"},
    {"linewidth": 1.6, "linestyle": (0, (5.0, 1.5))},
    {"linewidth": 1.4, "linestyle": (0, (1.0, 1.0))},
    {"linewidth": 1.4, "linestyle": (0, (6.0, 1.5, 1.0, 1.5))},
    {"linewidth": 2.6, "linestyle": (0, (1.0, 2.0))},
    {"linewidth": 0.9, "linestyle": "-"},
)
HATCHES = ("", "///", "...", "xxx", "---", "ooo")
TIME_STEPS_S = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0)
LONGEST_NAME = 18
ANSWER_WIDTH = 104
"""Characters of the answer in a line above the panels."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """One version in the picture: measured and its figures, as delivered and as played. `aligned` says where
    it lies against the open one; None for the open one itself, and where they have no common moments."""

    name: str
    aligned: Alignment | None
    delivered: Measurement
    played: Measurement
    delivered_figures: Figures
    played_figures: Figures


@dataclass(frozen=True, slots=True)
class Drawing:
    """What a picture shows: the answer, the player's title, the open version first, the loud one second, then
    any others; and the passages."""

    answer: str
    player: str
    versions: Sequence[Drawn]
    passages: Passages


def comparison_figure(drawing: Drawing) -> Figure:
    """The answer, and three panels: as delivered beside as played, and below them the headroom."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 5.6 + 0.5 * len(drawing.versions)), dpi=110, layout="constrained")
    figure.suptitle(
        "\n".join(textwrap.wrap(drawing.answer, ANSWER_WIDTH)), x=0.01, ha="left", fontsize=12.5,
        fontweight="bold",
    )  # fmt: skip
    heights = [3.4, 0.5 + 0.35 * len(drawing.versions)]
    (first, second), bars = figure.subplots(2, 2, sharey="row", height_ratios=heights)
    _over_time(first, drawing, [one.delivered for one in drawing.versions], "As delivered")
    gains = ", ".join(f"{one.name} {turned(one.played_figures.gain_db)}" for one in drawing.versions)
    title = "\n".join(textwrap.wrap(f"As played: {drawing.player} ({gains})", 66))
    _over_time(second, drawing, [one.played for one in drawing.versions], title)
    lowest, highest = first.get_ylim()
    first.set_ylim(lowest - 4.0, highest + 6.0)  # room for the key, and for the passages' names
    first.set_ylabel("short-term loudness (LUFS)")
    _bars(bars[0], bars[1], drawing)
    return figure


def _over_time(axes: Axes, drawing: Drawing, measured: Sequence[Measurement], title: str) -> None:
    from matplotlib.ticker import MultipleLocator

    seconds = max(one.duration_s for one in measured)
    step_s = next((step for step in TIME_STEPS_S if seconds / step <= 8.0), 1800.0)
    axes.xaxis.set_major_locator(MultipleLocator(step_s))
    peaks = []
    for place, (one, state) in enumerate(zip(drawing.versions, measured, strict=True)):
        times, levels = short_term_curve(state, one.aligned)
        axes.plot(times + SECONDS / 2.0, levels, label=one.name, color=VERSIONS[place], **LINES[place])
        if not np.isnan(levels).all():
            peaks.append((place, levels))
    _name_lines(axes, drawing)
    shared = drawing.passages.shared
    axes.set_title(title, loc="left", fontsize=10.5)
    axes.set_xlabel(f"time in {drawing.versions[0].name} (min:s)" if shared else "time (min:s)")
    axes.xaxis.set_major_formatter(lambda value, _: f"{int(value) // 60}:{int(value) % 60:02d}")
    axes.yaxis.set_major_locator(MultipleLocator(5.0))
    axes.yaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.grid(visible=True, axis="y", color="#e2e2e2", linewidth=0.6)
    axes.margins(x=0.01)
    if shared:
        both = ((drawing.passages.loudest, "loudest"), (drawing.passages.quietest, "quietest"))
        for window, word in both:
            if window.open_s is not None:
                axes.axvspan(
                    window.open_s, window.open_s + SECONDS, color="#b8b8b8", alpha=0.45, linewidth=0.0
                )
                axes.text(
                    window.open_s + SECONDS / 2.0, 0.98, word, rotation=90.0, fontsize=8.5, ha="center",
                    va="top", transform=axes.get_xaxis_transform(),
                )  # fmt: skip


def _name_lines(axes: Axes, drawing: Drawing) -> None:
    """The key: each version with its line, in its colour."""
    key = axes.legend(
        loc="lower center",
        ncols=min(3, len(drawing.versions)),
        frameon=False,
        handlelength=3.2,
        fontsize=10.0,
    )
    for place, text in enumerate(key.get_texts()):
        text.set_color(VERSIONS[place])
        text.set_fontweight("bold")


def _bars(delivered: Axes, played: Axes, drawing: Drawing) -> None:
    """From the loudness up to the true peak, and what is left to 0 dBTP or lies over it."""
    from matplotlib.ticker import MultipleLocator

    lowest = 0.0
    for axes, state in ((delivered, "delivered_figures"), (played, "played_figures")):
        for place, one in enumerate(drawing.versions):
            figures: Figures = getattr(one, state)
            loudness, peak = figures.integrated_lufs, figures.true_peak_dbtp
            if loudness is None or peak is None:
                continue
            lowest = min(lowest, loudness)
            axes.barh(
                place, peak - loudness, left=loudness, height=0.62, color=VERSIONS[place], edgecolor="white",
                hatch=HATCHES[place],
            )  # fmt: skip
            if peak < 0.0:
                axes.barh(
                    place, -peak, left=peak, height=0.62, color="white", edgecolor="#555555", linewidth=0.8
                )
            word = f"{level(abs(peak))} dB {'over' if peak > 0.0 else 'unused'}"
            axes.text(max(peak, 0.0) + 0.3, place, word, va="center", fontsize=9.0)
        axes.axvline(0.0, color="black", linewidth=1.2)
        axes.xaxis.set_major_formatter(lambda value, _: level(value, 0))
        axes.xaxis.set_major_locator(MultipleLocator(4.0))
        axes.set_xlabel("level re full scale (dB)")
        axes.grid(visible=True, axis="x", color="#e2e2e2", linewidth=0.6)
        axes.set_axisbelow(True)
    names = [shortened(one.name, LONGEST_NAME) for one in drawing.versions]
    delivered.set_yticks(range(len(names)), names)
    for place, label in enumerate(delivered.get_yticklabels()):
        label.set_color(VERSIONS[place])
        label.set_fontweight("bold")
    delivered.invert_yaxis()
    for axes in (delivered, played):
        axes.set_xlim(lowest - 1.0, 6.0)
    delivered.set_title("Headroom: bar = loudness to true peak, white = unused", loc="left", fontsize=10.5)
