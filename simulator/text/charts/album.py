"""The album over time, as delivered above, as played below."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulator.common.text import level
from simulator.comparison.versions import SECONDS
from simulator.metering.dynamics import loud_window, quiet_window
from simulator.metering.measurement import Measurement
from simulator.text.charts.style import ANSWER_WIDTH, clock
from simulator.text.colours import OPEN, VERSIONS
from simulator.text.comparison.curves import short_term_curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
    clock(axes, seconds, 12.0)
    axes.yaxis.set_major_locator(MultipleLocator(5.0))
    axes.yaxis.set_major_formatter(lambda value, _: level(value, 0))
    axes.set_ylabel("short-term loudness (LUFS)")
    axes.grid(visible=True, axis="y", color="#e2e2e2", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.margins(x=0.01, y=0.12)
    axes.set_title(title, loc="left", fontsize=10.5, pad=18.0)
