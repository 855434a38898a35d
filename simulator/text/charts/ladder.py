"""The ladder: gain as played against cost. A curve stands for the destinations that play alike, and a ring
marks the rung that is enough."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.text import level
from simulator.rungs.advice import Destination, enough
from simulator.rungs.rung import WITHIN_LU, Rung, gained
from simulator.text.colours import LOUD, VERSIONS
from simulator.text.ladder import answer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TITLE_WIDTH, LABEL_WIDTH = 84, 24


def ladder_figure(rungs: Sequence[Rung], destinations: Sequence[Destination], title: str) -> Figure:
    """LU louder than the lowest rung as played, over the PLR given up against it."""
    from matplotlib.figure import Figure

    first = rungs[0].measurement.peak_to_loudness_db or 0.0
    cost = [first - (rung.measurement.peak_to_loudness_db or first) for rung in rungs]
    wide = max(cost[-1], 1.0)
    curves: dict[tuple[float, ...], list[Destination]] = {}
    for destination in destinations:
        heights = tuple(round(each.integrated_lu or 0.0, 1) for each in gained(rungs, destination.profile.id))
        near = next((key for key in curves if _alike(key, heights)), heights)
        curves.setdefault(near, []).append(destination)
    figure = Figure(figsize=(8.4, 4.9), dpi=120, layout="constrained")
    axes = figure.subplots()
    top = max(max(heights) for heights in curves)
    low = min(min(heights) for heights in curves)
    step = max(top - low, 1.0) / 12.0
    highest = max(curves, key=lambda heights: heights[-1])
    normal = iter(colour for colour in VERSIONS if colour != LOUD)
    last = float("-inf")
    for heights, those in sorted(curves.items(), key=lambda item: item[0][-1]):
        colour = next(normal, VERSIONS[0]) if those[0].normalises else LOUD
        line = "-" if those[0].normalises else (0, (5.0, 1.5))
        axes.plot(cost, heights, color=colour, linestyle=line, linewidth=2.2, marker="o", markersize=4.5)
        marked = enough(rungs, those[0].profile)
        if marked is not None:
            at = (cost[marked], heights[marked])
            axes.plot(*at, "o", markersize=13, fillstyle="none", color=colour)
            if heights != highest:  # the rungs' names stand on the highest curve
                axes.annotate(
                    level(rungs[marked].measurement.integrated_lufs), at, (9, -9), textcoords="offset points",
                    va="center", color=colour, fontsize=8.5,
                )  # fmt: skip
        last = max(heights[-1], last + step * (1 + 0.55 * (len(those) > 1)))
        players = textwrap.fill(", ".join(one.name for one in those), LABEL_WIDTH)
        axes.annotate(
            players, (cost[-1], heights[-1]), (cost[-1] + 0.03 * wide, last),
            va="center", color=colour, fontweight="bold", annotation_clip=False,
        )  # fmt: skip
    labels: dict[tuple[float, float], list[str]] = {}
    for place, rung in enumerate(rungs):
        here = (cost[place], highest[place])
        beside = (at for at in labels if abs(at[0] - here[0]) < 0.05 * wide and abs(at[1] - here[1]) < step)
        names = labels.setdefault(next(beside, here), [])
        if (name := level(rung.measurement.integrated_lufs)) not in names:
            names.append(name)
    steps = list(labels)
    for at, after in zip(steps, [*steps[1:], None], strict=True):
        steep = after is not None and after[0] - at[0] < 0.02 * wide  # the curve itself is above it
        axes.annotate(
            ", ".join(labels[at]), at, (9, 9) if steep else (0, 11), textcoords="offset points",
            ha="left" if steep else "center", va="center", color="#444444", fontsize=8.5,
        )  # fmt: skip
    axes.set_xlabel("cost: dB of PLR given up against the lowest rung")
    axes.set_ylabel("gain: LU louder as played")
    axes.set_ylim(low - step, top + 2.0 * step)
    axes.set_xlim(-0.04 * wide, 1.36 * wide)
    axes.grid(color="#dddddd", linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    said = textwrap.fill((answer(rungs, destinations) or [title])[0], TITLE_WIDTH)
    axes.set_title(f"{title}\n{said}", loc="left", fontsize=10.5)
    axes.annotate(
        "Numbers: LUFS of the rung. Ring: enough on that player.", (0.0, 1.0), (2, -8),
        xycoords="axes fraction", textcoords="offset points", fontsize=8.0, color="#666666",
    )  # fmt: skip
    return figure


def _alike(one: Sequence[float], other: Sequence[float]) -> bool:
    return all(abs(a - b) <= WITHIN_LU for a, b in zip(one, other, strict=True))
