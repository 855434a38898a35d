"""Two or more versions of a song over time, and their headroom, as delivered beside as played.

Times are the open version's; a 3 s window is drawn at its middle.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simulator.audibility.audibility import Audibility
from simulator.common.text import level
from simulator.comparison.alignment import Alignment
from simulator.comparison.versions import SECONDS, Figures, Passages
from simulator.metering.measurement import Measurement
from simulator.text.audibility import NOTHING, moment_line
from simulator.text.charts.style import ANSWER_WIDTH, LONGEST_NAME, clock
from simulator.text.colours import VERSIONS
from simulator.text.comparison.curves import short_term_curve
from simulator.text.sentences import turned
from simulator.text.tables import shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINES: tuple[dict[str, Any], ...] = (
    {"linewidth": 2.6, "linestyle": "-"},
    {"linewidth": 1.6, "linestyle": (0, (5.0, 1.5))},
    {"linewidth": 1.4, "linestyle": (0, (1.0, 1.0))},
    {"linewidth": 1.4, "linestyle": (0, (6.0, 1.5, 1.0, 1.5))},
    {"linewidth": 2.6, "linestyle": (0, (1.0, 2.0))},
    {"linewidth": 0.9, "linestyle": "-"},
)
HATCHES = ("", "///", "...", "xxx", "---", "ooo")
STRIP_INCHES = 1.3
LIST_WIDTH = 140


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
    any others; the passages; and where the loud one is likely to be heard to differ, where that is known."""

    answer: str
    player: str
    versions: Sequence[Drawn]
    passages: Passages
    audibility: Audibility | None = None


MARKED = 3
"""Worst moments in the picture, as on the page."""


def comparison_figure(drawing: Drawing) -> Figure:
    """The answer, and the panels: as delivered beside as played, below them where the difference is likely to
    be heard, and the headroom."""
    from matplotlib.figure import Figure

    heard = drawing.audibility
    height = 5.6 + 0.5 * len(drawing.versions) + (STRIP_INCHES if heard is not None else 0.0)
    figure = Figure(figsize=(11.0, height), dpi=110, layout="constrained")
    figure.suptitle(
        "\n".join(textwrap.wrap(drawing.answer, ANSWER_WIDTH)), x=0.01, ha="left", fontsize=12.5,
        fontweight="bold",
    )  # fmt: skip
    strip: list[Any] = [] if heard is None else [["heard", "heard"]]
    heights = [3.4, *([STRIP_INCHES] if strip else []), 0.5 + 0.35 * len(drawing.versions)]
    panels = figure.subplot_mosaic(
        [["delivered", "played"], *strip, ["below", "beside"]], height_ratios=heights
    )
    first, second, bars = panels["delivered"], panels["played"], (panels["below"], panels["beside"])
    second.sharey(first)
    second.tick_params(labelleft=False)
    bars[1].sharey(bars[0])
    bars[1].tick_params(labelleft=False)
    _over_time(first, drawing, [version.delivered for version in drawing.versions], "As delivered")
    gains = ", ".join(f"{one.name} {turned(one.played_figures.gain_db)}" for one in drawing.versions)
    title = "\n".join(textwrap.wrap(f"As played: {drawing.player} ({gains})", 66))
    _over_time(second, drawing, [version.played for version in drawing.versions], title)
    lowest, highest = first.get_ylim()
    first.set_ylim(lowest - 4.0, highest + 6.0)  # room for the key, and for the passages' names
    first.set_ylabel("short-term loudness (LUFS)")
    if heard is not None:
        _heard(panels["heard"], drawing, heard)
    _bars(bars[0], bars[1], drawing)
    return figure


def _heard(axes: Axes, drawing: Drawing, audibility: Audibility) -> None:
    """Share of each second above the mask, and the worst moments by number."""
    names = [version.name for version in drawing.versions]
    edges = audibility.start_s + audibility.step_s * np.arange(len(audibility.strip_share) + 1)
    percent = 100.0 * np.array(audibility.strip_share)
    axes.stairs(percent, edges, fill=True, color=VERSIONS[1], linewidth=0.0)
    numbered = list(enumerate(audibility.worst(MARKED), 1))
    for number, one in numbered:
        middle = one.at_s + one.length_s / 2.0
        axes.plot([middle], [112.0], marker="v", color="black", markersize=5.0, clip_on=False)
        axes.text(middle + 0.01 * edges[-1], 112.0, str(number), va="center", fontsize=9.0, fontweight="bold")
    listed = [f"{number}  {moment_line(one)}".replace(" ", "\N{NO-BREAK SPACE}") for number, one in numbered]
    title = f"Where the change from {names[0]} to {names[1]} is likely to be heard"
    axes.set_title(f"{title}: % of each second (a model’s estimate)", loc="left", fontsize=10.5, pad=16.0)
    below = textwrap.wrap(" · ".join(listed) or NOTHING, LIST_WIDTH)
    axes.set_xlabel("\n".join(below), loc="left", fontsize=9.5)
    axes.set_ylim(0.0, 100.0)
    axes.set_yticks([0.0, 50.0, 100.0])
    clock(axes, float(edges[-1]))
    axes.margins(x=0.01)


def _over_time(axes: Axes, drawing: Drawing, measured: Sequence[Measurement], title: str) -> None:
    from matplotlib.ticker import MultipleLocator

    clock(axes, max(one.duration_s for one in measured))
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
    names = [shortened(version.name, LONGEST_NAME) for version in drawing.versions]
    delivered.set_yticks(range(len(names)), names)
    for place, label in enumerate(delivered.get_yticklabels()):
        label.set_color(VERSIONS[place])
        label.set_fontweight("bold")
    delivered.invert_yaxis()
    for axes in (delivered, played):
        axes.set_xlim(lowest - 1.0, 6.0)
    delivered.set_title("Headroom: bar = loudness to true peak, white = unused", loc="left", fontsize=10.5)
