"""Pictures by matplotlib: versions over time, the ladder's gain against cost, players by versions, votes.

Readable without colour: versions differ in line, marker and hatching, and are named at their ends. Times are
the open version's; a 3 s window is drawn at its middle. On the ladder a curve stands for the destinations
that play alike, and a ring marks the rung that is enough. Matplotlib takes half a second to import, so only
drawing imports it. Figures are returned; the caller saves them under STYLE.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simulator.audibility.audibility import Audibility
from simulator.blind_test.result import PreferenceResult
from simulator.common.text import level
from simulator.comparison.alignment import Alignment
from simulator.comparison.versions import SECONDS, STEPS_PER_SECOND, Figures, Passages
from simulator.metering.dynamics import loud_window, quiet_window
from simulator.metering.measurement import Measurement
from simulator.rungs.advice import Destination, enough
from simulator.rungs.rung import WITHIN_LU, Rung, gained
from simulator.text.audibility import NOTHING, moment_line
from simulator.text.colours import LOUD, OPEN, VERSIONS
from simulator.text.comparison.curves import short_term_curve
from simulator.text.comparison.played import turned
from simulator.text.ladder import answer
from simulator.text.players import PlayerRow, integrated
from simulator.text.tables import shortened
from simulator.text.votes import ListenerSum, sum_answer

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
STRIP_INCHES = 1.3
ANSWER_WIDTH = 104
"""Characters of the answer in a line above the panels."""
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
    _clock(axes, float(edges[-1]))
    axes.margins(x=0.01)


def _over_time(axes: Axes, drawing: Drawing, measured: Sequence[Measurement], title: str) -> None:
    from matplotlib.ticker import MultipleLocator

    _clock(axes, max(one.duration_s for one in measured))
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


def _clock(axes: Axes, seconds: float, most: float = 8.0) -> None:
    """Minutes and seconds along the bottom, in at most so many steps."""
    from matplotlib.ticker import MultipleLocator

    step_s = next((step for step in TIME_STEPS_S if seconds / step <= most), 1800.0)
    axes.xaxis.set_major_locator(MultipleLocator(step_s))
    axes.xaxis.set_major_formatter(lambda value, _: f"{int(value) // 60}:{int(value) % 60:02d}")


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
    _clock(axes, measured.duration_s)
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


TITLE_WIDTH, LABEL_WIDTH = 84, 24


def ladder_figure(rungs: Sequence[Rung], destinations: Sequence[Destination], title: str) -> Figure:
    """LU louder than the lowest rung as played, over the PLR given up against it."""
    from matplotlib.figure import Figure

    first = rungs[0].measurement.peak_to_loudness_db or 0.0
    cost = [first - (rung.measurement.peak_to_loudness_db or first) for rung in rungs]
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
    normal = iter(colour for colour in VERSIONS if colour != LOUD)
    last = float("-inf")
    for heights, those in sorted(curves.items(), key=lambda item: item[0][-1]):
        colour = next(normal, VERSIONS[0]) if those[0].normalises else LOUD
        line = "-" if those[0].normalises else (0, (5.0, 1.5))
        axes.plot(cost, heights, color=colour, linestyle=line, linewidth=2.2, marker="o", markersize=4.5)
        marked = enough(rungs, those[0].profile)
        if marked is not None:
            axes.plot(cost[marked], heights[marked], "o", markersize=13, fillstyle="none", color=colour)
        last = max(heights[-1], last + step * (1 + 0.55 * (len(those) > 1)))
        names = textwrap.fill(", ".join(one.name for one in those), LABEL_WIDTH)
        axes.annotate(
            names, (cost[-1], heights[-1]), (cost[-1] + 0.03 * max(cost[-1], 1.0), last),
            va="center", color=colour, fontweight="bold", annotation_clip=False,
        )  # fmt: skip
    highest = max(curves, key=lambda heights: heights[-1])
    seen: list[tuple[float, float]] = []
    for place, rung in enumerate(rungs):
        there = (cost[place] / max(cost[-1], 1.0), highest[place] / step)
        if any(abs(there[0] - x) < 0.05 and abs(there[1] - y) < 1.0 for x, y in seen):
            continue
        seen.append(there)
        axes.annotate(
            level(rung.measurement.integrated_lufs), (cost[place], highest[place]), (0, 9),
            textcoords="offset points", ha="center", color="#444444", fontsize=8.5,
        )  # fmt: skip
    axes.set_xlabel("cost: dB of PLR given up against the lowest rung")
    axes.set_ylabel("gain: LU louder as played")
    axes.set_ylim(low - step, top + 2.0 * step)
    axes.set_xlim(-0.04 * max(cost[-1], 1.0), 1.36 * max(cost[-1], 1.0))
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


__all__ = ["STYLE", "players_figure"]

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


@dataclass(frozen=True, slots=True)
class AlbumSong:
    """A song of the album in the picture; `played` is None where no player could play it."""

    name: str
    delivered: Measurement
    played: Measurement | None


ALBUM_COLOURS = (OPEN, VERSIONS[2])
"""Neighbouring songs alternate."""
NAME_WIDTH = 10.0
"""Characters of a song's name in an inch."""
SHORTEST_NAME = 6
"""With less room a song has only its number."""


def album_figure(songs: Sequence[AlbumSong], answer: str, player: str, target_lufs: float | None) -> Figure:
    """The album over time: short-term loudness of each song after the other, as delivered above, as played
    below; each song's integrated loudness, its loudest and its quietest 3 s."""
    from matplotlib.figure import Figure

    wide = min(11.0 + 0.5 * max(len(songs) - 6, 0), 18.0)
    figure = Figure(figsize=(wide, 7.2), dpi=110, layout="constrained")
    figure.suptitle(
        textwrap.fill(answer, round(ANSWER_WIDTH * wide / 11.0)),
        x=0.01,
        ha="left",
        fontsize=11.5,
        fontweight="bold",
    )
    first, second = figure.subplots(2, 1, sharex=True, sharey=True)
    _sequence(first, songs, [song.delivered for song in songs], "As delivered")
    _sequence(second, songs, [song.played for song in songs], f"As played: {player}")
    if target_lufs is not None:
        second.axhline(target_lufs, color="#555555", linewidth=1.0, linestyle=(0, (1.0, 2.0)))
        second.annotate(
            f"target {level(target_lufs, 0)}", (1.0, target_lufs), (4, 0), xycoords=("axes fraction", "data"),
            textcoords="offset points", va="center", fontsize=8.5, color="#555555", annotation_clip=False,
        )  # fmt: skip
    second.set_xlabel("time on the album (min:s)")
    figure.text(
        0.01, 0.0, "Line: integrated loudness of the song. ▲ loudest 3 s, ▼ quietest 3 s.",
        fontsize=9.0, color="#444444", va="bottom",
    )  # fmt: skip
    figure.get_layout_engine().set(rect=(0.0, 0.03, 1.0, 0.97))  # type: ignore[union-attr, call-arg]
    return figure


def _sequence(
    axes: Axes, songs: Sequence[AlbumSong], measured: Sequence[Measurement | None], title: str
) -> None:
    """One state of the album: a curve a song, one after the other."""
    from matplotlib.ticker import MultipleLocator

    start, inches = 0.0, axes.get_figure(root=True).get_figwidth()  # type: ignore[union-attr]
    seconds = sum(song.delivered.duration_s for song in songs)
    for place, (song, found) in enumerate(zip(songs, measured, strict=True)):
        colour = ALBUM_COLOURS[place % len(ALBUM_COLOURS)]
        end = start + song.delivered.duration_s
        if place:
            axes.axvline(start, color="#cccccc", linewidth=0.8, zorder=0)
        if found is not None:
            times, levels = short_term_curve(found)
            axes.plot(start + times + SECONDS / 2.0, levels, color=colour, linewidth=1.5)
            if found.integrated_lufs is not None:
                axes.plot([start, end], [found.integrated_lufs] * 2, color=colour, linewidth=1.0, alpha=0.75)
            energy = found.series.energy
            marks = ((loud_window(energy), found.max_short_term_lufs, "^", 7),
                     (quiet_window(energy), found.quietest_passage_lufs, "v", -14))  # fmt: skip
            for window, value, marker, above in marks:
                if window is None or value is None:
                    continue
                at = start + window / 10.0 + SECONDS / 2.0
                axes.plot([at], [value], marker=marker, color=colour, markersize=6.5, markeredgecolor="white")
                axes.annotate(
                    level(value), (at, value), (0, above), textcoords="offset points", ha="center",
                    fontsize=8.5, color=colour, fontweight="bold",
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
                )  # fmt: skip
        room = int(NAME_WIDTH * inches * song.delivered.duration_s / max(seconds, 1.0)) - 1
        name = song.name if len(song.name) <= room else f"{song.name[: room - 1].rstrip()}…"
        name = name if room >= SHORTEST_NAME else f"{place + 1}"
        axes.text(
            (start + end) / 2.0, 1.01, name, transform=axes.get_xaxis_transform(),
            ha="center", va="bottom", color=colour, fontsize=9.5, fontweight="bold",
        )  # fmt: skip
        start = end
    _clock(axes, seconds, 12.0)
    axes.yaxis.set_major_locator(MultipleLocator(5.0))
    axes.yaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.set_ylabel("short-term loudness (LUFS)")
    axes.grid(visible=True, axis="y", color="#e2e2e2", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.margins(x=0.01, y=0.12)
    axes.set_title(title, loc="left", fontsize=10.5, pad=18.0)


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
