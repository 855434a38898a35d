"""Votes of several listeners: each one's share with its exact interval."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from simulator.blind_test.result import PreferenceResult
from simulator.text.colours import VERSIONS
from simulator.text.tables import shortened
from simulator.text.votes import ListenerSum, sum_answer

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def votes_figure(listener_sum: ListenerSum) -> Figure:
    """One panel a pair of versions: each listener's share for the first with its exact 95 % interval, the sum
    of the blind votes above them."""
    from matplotlib.figure import Figure

    pairs = listener_sum.listeners[0].alone.pairs
    rows: list[tuple[str, PreferenceResult, bool]] = [
        (listener.name, listener.alone, listener.blind) for listener in reversed(listener_sum.listeners)
    ]
    if listener_sum.result is not None:
        rows.append(("all together", listener_sum.result, True))
    height = (1.1 + 0.32 * len(rows)) * len(pairs) + 0.5
    figure = Figure(figsize=(8.0, height), dpi=110, layout="constrained")
    figure.suptitle(
        "\n".join(textwrap.wrap(" ".join(sum_answer(listener_sum)), 80)), x=0.01, ha="left", fontsize=12.5,
        fontweight="bold",
    )  # fmt: skip
    panels = figure.subplots(len(pairs), 1, squeeze=False)[:, 0]
    for place, (axes, pair) in enumerate(zip(panels, pairs, strict=True)):
        first, second = listener_sum.names[pair.first], listener_sum.names[pair.second]
        axes.axvline(50.0, color="#777777", linewidth=1.0)
        for row, (_, each, blind) in enumerate(rows):
            one = each.pairs[place]
            share = 100.0 * one.for_first / one.rounds
            colour = VERSIONS[pair.first if share > 50.0 else pair.second] if share != 50.0 else "#777777"
            low, high = one.interval
            whole = row == len(rows) - 1 and listener_sum.result is not None
            axes.plot([100.0 * low, 100.0 * high], [row, row], color=colour, linewidth=3.0 if whole else 1.4)
            axes.plot(
                share, row, marker="D" if whole else "o", markersize=9.0 if whole else 7.0, color=colour,
                markerfacecolor=colour if blind else "white",
            )  # fmt: skip
            axes.text(103.0, row, f"{one.for_first} of {one.rounds}", va="center", fontsize=9.0)
        names = [name if blind else f"{name} (names seen)" for name, _, blind in rows]
        axes.set_yticks(range(len(rows)), [shortened(name, 28) for name in names])
        axes.set_xlim(0.0, 100.0)
        axes.set_ylim(-0.7, len(rows) - 0.3)
        axes.set_xticks([0.0, 25.0, 50.0, 75.0, 100.0], ["0", "25", "50", "75", "100 %"])
        axes.set_xlabel(f"share of rounds for {first} (right) over {second} (left), with 95 % intervals")
        axes.grid(visible=True, axis="x", color="#e2e2e2", linewidth=0.6)
    return figure
