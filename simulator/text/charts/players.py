"""Players by versions: how loud each plays."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.common.text import level
from simulator.text.colours import LOUD, OPEN, VERSIONS
from simulator.text.players import PlayerRow, integrated

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARKERS = ("o", "s", "^", "D", "v", "P")


def version_colours(styles: Sequence[str]) -> list[str]:
    """The colour of each version: the open and the loud one have theirs, the others follow in order."""
    others = iter(VERSIONS[2:] * 2)
    return [OPEN if style == "open" else LOUD if style == "loud" else next(others) for style in styles]


def players_figure(
    names: Sequence[str], rows: Sequence[PlayerRow], styles: Sequence[str], title: str
) -> Figure:
    """One row a player, the loudest on top, under those that do not normalise; a grey bar is the target."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MultipleLocator

    shown = sorted(rows, key=lambda row: (row.profile.target_lufs is not None, -_highest(row)))
    pitch_inches = 0.3 + 0.04 * (len(names) - 2)
    apart = min(0.3, 0.8 / len(names))  # rows by which neighbouring versions are set apart
    figure = Figure(figsize=(9.0, 1.9 + pitch_inches * len(shown)), dpi=110, layout="constrained")
    axes = figure.subplots()
    middle = (len(names) - 1) / 2.0
    known = [(target, at) for at, row in enumerate(shown) for target in _targets(row)]
    axes.scatter(
        [target for target, _ in known], [at for _, at in known],
        marker="|", s=330.0, color="#9a9a9a", linewidth=1.4, zorder=1, label="target",
    )  # fmt: skip
    for at, row in enumerate(shown):
        levels = [value for value in row.played(integrated) if value is not None]
        if levels:
            axes.plot([min(levels), max(levels)], [at, at], color="#9a9a9a", linewidth=1.2, zorder=1)
    for place, (name, colour) in enumerate(zip(names, version_colours(styles), strict=True)):
        found = [(row.played(integrated)[place], at) for at, row in enumerate(shown)]
        dots = [(value, at + (place - middle) * apart) for value, at in found if value is not None]
        axes.scatter(
            [value for value, _ in dots], [at for _, at in dots],
            marker=MARKERS[place], s=34.0, color=colour, edgecolor="white", linewidth=0.4, zorder=2,
            label=name,
        )  # fmt: skip
    axes.set_yticks(range(len(shown)), [row.profile.id for row in shown])
    axes.invert_yaxis()
    axes.xaxis.set_major_locator(MultipleLocator(2.0))
    axes.xaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.set_xlabel("integrated loudness as played (LUFS): further right is louder")
    axes.grid(visible=True, axis="x", color="#e2e2e2", linewidth=0.6)
    axes.tick_params(axis="y", length=0.0)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.set_axisbelow(True)
    figure.suptitle(title, x=0.01, ha="left", fontsize=11.0)
    lines, words = axes.get_legend_handles_labels()
    order = [*range(1, len(words)), 0]
    figure.legend(
        [lines[place] for place in order], [words[place] for place in order],
        loc="outside lower left", ncols=len(words), frameon=False,
    )  # fmt: skip
    return figure


def _targets(row: PlayerRow) -> set[float]:
    """The targets that the versions get: a conditional one may differ from version to version."""
    found = {version.prediction.decision.target_lufs for version in row.versions if version is not None}
    return {target for target in found if target is not None}


def _highest(row: PlayerRow) -> float:
    """What sorts the players: the highest level that any version plays at."""
    return max((value for value in row.played(integrated) if value is not None), default=-99.0)
