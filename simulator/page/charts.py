"""Pictures of loudness and headroom for the page, drawn by matplotlib as inline SVG.

A picture stands for itself in grey and on paper: lines differ by dash and weight, not by colour alone.
Colours are names of the page's own style variables, so that the page can be light or dark. No text of
the user's is drawn (legends and titles are the page's), only numbers and axes. Levels in LUFS and dBTP;
times in seconds. Every picture comes with a sentence that says what it shows.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.numbers import true_minus
from simulator.common.units import LOUDNESS_OFFSET_DB
from simulator.metering.gating import STEPS_SHORT_TERM, short_term_energies

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FLOOR_LUFS = -60.0
"""What is quieter is drawn at the lower edge or left out."""
MOST_POINTS = 400
_COLOURS = {
    "#010101": "var(--ink)",
    "#020202": "var(--soft)",
    "#030303": "var(--rule)",
    "#040404": "var(--first)",
    "#050505": "var(--second)",
    "#060606": "var(--third)",
    "#070707": "var(--fourth)",
}
INK, SOFT, RULE, *LINES = _COLOURS
_LEFT_IN, _RIGHT_IN, _TOP_IN, _BOTTOM_IN = 0.36, 0.1, 0.07, 0.29
"""Room around the axes, in inches, for labels of three letters; searching for it takes as long as drawing."""
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)))
WEIGHTS = (1.9, 1.6, 1.8, 1.6)


@dataclass(frozen=True, slots=True)
class Curve:
    """Loudness over time: one value for each 3 s window, at its middle; NaN-free, gaps are None's mask."""

    time_s: NDArray[np.float64]
    loudness_lufs: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HeadroomBar:
    """One track in the headroom picture; None where there is nothing to measure."""

    number: int
    loudness_lufs: float | None
    true_peak_dbtp: float | None


def curve(energy: NDArray[np.float64]) -> Curve:
    """The short-term loudness of a series (energies each 100 ms), thinned to what a screen can show by
    taking the greatest of neighbours; windows below FLOOR_LUFS are left at it."""
    windows = short_term_energies(energy)
    thin = max(1, -(-windows.shape[0] // MOST_POINTS))
    count = -(-windows.shape[0] // thin)
    padded = np.zeros(count * thin)
    padded[: windows.shape[0]] = windows
    greatest = padded.reshape(count, thin).max(axis=1) if count else np.zeros(0)
    floor = 10.0 ** ((FLOOR_LUFS - LOUDNESS_OFFSET_DB) / 10.0)
    levels = LOUDNESS_OFFSET_DB + 10.0 * np.log10(np.maximum(greatest, floor))
    times = (np.arange(count) * thin + (thin - 1) / 2.0 + STEPS_SHORT_TERM / 2.0) / 10.0
    return Curve(times, levels)


def limits(curves: Sequence[Curve]) -> tuple[float, float]:
    """One scale for pictures that stand side by side: whole steps of 5 LU around what is drawn."""
    drawn = [one.loudness_lufs for one in curves if one.loudness_lufs.size]
    if not drawn:
        return -40.0, 0.0
    top = max(float(levels.max()) for levels in drawn)
    low = min(float(np.percentile(levels, 2)) for levels in drawn)
    return max(FLOOR_LUFS, 5.0 * np.floor((low - 1.0) / 5.0)), min(5.0, 5.0 * np.ceil((top + 1.0) / 5.0))


def loudness_svg(
    curves: Sequence[Curve],
    scale: tuple[float, float],
    target_lufs: float | None,
    label: str,
    name: str,
    *,
    styles: Sequence[int] = (0, 1, 2, 3),
    size: tuple[float, float] = (4.6, 2.5),
) -> str:
    """Short-term loudness over time, one line a curve; `target_lufs` as a thin rule. `name` must be
    unique on the page (it salts the ids), `label` is the text alternative."""

    def draw(axes: Axes) -> None:
        length = max((float(one.time_s[-1]) for one in curves if one.time_s.size), default=10.0)
        if target_lufs is not None and scale[0] < target_lufs < scale[1]:
            axes.axhline(target_lufs, color=SOFT, linewidth=0.8, dashes=(2, 3))
        for one, style in zip(curves, styles, strict=False):
            axes.plot(
                one.time_s,
                one.loudness_lufs,
                color=LINES[style % 4],
                linestyle=DASHES[style % 4],
                linewidth=WEIGHTS[style % 4],
                solid_joinstyle="round",
            )
        axes.set_xlim(0.0, length)
        axes.set_ylim(*scale)
        axes.set_yticks(np.arange(scale[0], scale[1] + 0.1, 5.0 if scale[1] - scale[0] <= 30.0 else 10.0))
        axes.yaxis.set_major_formatter(lambda value, _: _number(value))
        _time_axis(axes, length)
        axes.grid(axis="y", color=RULE, linewidth=0.7)

    return _svg(draw, size, label, name)


def headroom_svg(bars: Sequence[HeadroomBar], label: str, name: str) -> str:
    """For each track a bar from its loudness as played to its highest peak, and up to full scale the
    unused headroom, on one scale in dB. Bars are numbered as the tracks are."""
    known = [bar for bar in bars if bar.loudness_lufs is not None and bar.true_peak_dbtp is not None]
    low = min((bar.loudness_lufs or 0.0 for bar in known), default=-20.0)
    high = max((bar.true_peak_dbtp or 0.0 for bar in known), default=0.0)

    def draw(axes: Axes) -> None:
        for row, bar in enumerate(bars):
            if bar.loudness_lufs is None or bar.true_peak_dbtp is None:
                continue
            axes.barh(row, bar.true_peak_dbtp - bar.loudness_lufs, 0.44, bar.loudness_lufs, color=LINES[0])
            if bar.true_peak_dbtp < 0.0:
                axes.barh(
                    row,
                    -bar.true_peak_dbtp,
                    0.44,
                    bar.true_peak_dbtp,
                    facecolor="none",
                    edgecolor=SOFT,
                    linewidth=0.9,
                )
            axes.plot([bar.loudness_lufs] * 2, [row - 0.36, row + 0.36], color=INK, linewidth=2.2)
        axes.axvline(0.0, color=INK, linewidth=0.9)
        left, right = 5.0 * np.floor((low - 1.5) / 5.0), max(1.0, high + 0.5)
        axes.set_xlim(left, right)
        axes.set_xticks(np.arange(left, right, 5.0 if left >= -40.0 else 10.0))
        axes.set_ylim(len(bars) - 0.4, -0.6)
        axes.set_yticks(range(len(bars)), [str(bar.number) for bar in bars])
        axes.xaxis.set_major_formatter(lambda value, _: _number(value))
        axes.grid(axis="x", color=RULE, linewidth=0.7)

    return _svg(draw, (4.6, 0.5 + 0.3 * len(bars)), label, name)


def _time_axis(axes: Axes, length_s: float) -> None:
    """Whole minutes, or tens of seconds for what is short."""
    steps = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0)
    step = next((one for one in steps if length_s / one <= 6.5), 3600.0)
    ticks = np.arange(0.0, length_s + 0.01, step)
    axes.set_xticks(ticks, [f"{int(tick) // 60}:{int(tick) % 60:02d}" for tick in ticks])


def _svg(draw: Callable[[Axes], None], size: tuple[float, float], label: str, name: str) -> str:
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context(
        {
            "svg.fonttype": "none",
            "svg.hashsalt": name,
            "text.parse_math": False,
            "path.simplify_threshold": 0.3,
            "font.family": "sans-serif",
            "font.sans-serif": ["DejaVu Sans"],
            "font.size": 9.5,
        }
    ):
        figure = Figure(figsize=size)
        figure.patch.set_visible(False)
        width, height = size
        inside = (width - _LEFT_IN - _RIGHT_IN) / width, (height - _BOTTOM_IN - _TOP_IN) / height
        axes = figure.add_axes((_LEFT_IN / width, _BOTTOM_IN / height, *inside))
        axes.patch.set_visible(False)
        for spine in axes.spines.values():
            spine.set_visible(False)
        axes.tick_params(length=0, colors=SOFT, pad=4)
        axes.tick_params(axis="x", pad=7)
        axes.set_axisbelow(True)
        draw(axes)
        written = _Text()
        figure.savefig(
            written,  # type: ignore[arg-type]
            format="svg",
            metadata={"Creator": None, "Date": None, "Format": None, "Type": None},
        )
    return _inline(written.text(), label, name)


def _inline(document: str, label: str, name: str) -> str:
    """The SVG element alone, scaling with the page, named for a screen reader, in the page's colours."""
    svg = document[document.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    for written, variable in _COLOURS.items():
        svg = svg.replace(written, variable)
    box = re.search(r'viewBox="[^"]+"', svg)
    head = f'<svg {box[0] if box else ""} role="img" aria-label="{_attribute(label)}" class="figure">'
    svg = re.sub(r"<svg[^>]*>", lambda _: head, svg, count=1)
    svg = re.sub(r"<style.*?</style>", "", svg, flags=re.DOTALL)  # would hold for the whole page
    svg = svg.replace("font-family: 'DejaVu Sans', sans-serif", "font-family: inherit")
    svg = re.sub(r"\s*\n\s*", " ", svg)
    own = re.sub(r"\W", "", name)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{own}-\1"', svg)
    return re.sub(r"(url\(#|href=\"#)", rf"\g<1>{own}-", svg)


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;").replace(">", "&gt;")


def _number(value: float) -> str:
    return true_minus(f"{value:.0f}")


class _Text:
    """A text file in memory, as far as matplotlib needs one."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def write(self, text: str) -> int:
        if not isinstance(text, str):  # matplotlib asks so whether this is a text file
            raise TypeError("text only")
        self._parts.append(text)
        return len(text)

    def seek(self, place: int) -> int:
        return place

    def flush(self) -> None:
        """Nothing waits."""

    def text(self) -> str:
        return "".join(self._parts)
