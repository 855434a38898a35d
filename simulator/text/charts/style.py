"""What the pictures share: their style, the time axis, widths of text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
LONGEST_NAME = 18
ANSWER_WIDTH = 104
"""Characters of the answer in a line above the panels."""
TIME_STEPS_S = (5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0)


def clock(axes: Axes, seconds: float, most: float = 8.0) -> None:
    """Minutes and seconds along the bottom, in at most so many steps."""
    from matplotlib.ticker import MultipleLocator

    step_s = next((step for step in TIME_STEPS_S if seconds / step <= most), 1800.0)
    axes.xaxis.set_major_locator(MultipleLocator(step_s))
    axes.xaxis.set_major_formatter(lambda value, _: f"{int(value) // 60}:{int(value) % 60:02d}")
