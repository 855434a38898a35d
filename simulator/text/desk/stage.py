"""Stage above the prompt, and the artist's screen: which version plays, in which level mode, and the song's
loudness over time.

`stage_lines` draws a `Stage` as lines of (style, text) for any size from 80 × 10 cells up. The curves are
those of the versions as they play now, on one scale for all level modes. The one that plays is drawn twice as
thick, so that colour is never alone. A blind trial shows the letter, the round and the place in the passage.

`scene_json` and `place_json` are what the artist's screen shows, made from the stage alone, so that it never
shows more: the song's title, the version that plays, the level mode in the words of the client's page, and
the curves as shares of the plot's height, without a figure in LUFS, LU or dB. A blind trial shows the letters
and which of them plays.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from rich.cells import cell_len, set_cell_size

from simulator.common.listening import Listen, State
from simulator.common.text import level
from simulator.text.colours import TERMINAL_STYLES, VERSIONS_ON_DARK
from simulator.text.desk.status_bar import Bar, clock_time, difference_line, header_lines
from simulator.text.tables import shortened

SMALLEST = (80, 20)
"""Columns and rows of a terminal with a stage; below it there are two lines."""
GUTTER = 6
GLYPHS = {
    "1": ("▀█ ", " █ ", "▀▀▀"), "2": ("▀▀█", "█▀▀", "▀▀▀"), "3": ("▀▀█", " ▀█", "▀▀▀"),
    "4": ("█ █", "▀▀█", "  ▀"), "5": ("█▀▀", "▀▀█", "▀▀▀"), "6": ("█▀▀", "█▀█", "▀▀▀"),
    "7": ("▀▀█", "  █", "  ▀"), "8": ("█▀█", "█▀█", "▀▀▀"), "9": ("█▀█", "▀▀█", "▀▀▀"),
    "A": ("█▀█", "█▀█", "▀ ▀"), "B": ("█▀▄", "█▀▄", "▀▀ "), "X": ("▀▄▀", "▄▀▄", "▀ ▀"),
}  # fmt: skip
NO_GLYPH = ("   ", " · ", "   ")
COLOURS = (TERMINAL_STYLES["open"], TERMINAL_STYLES["loud"], *VERSIONS_ON_DARK[2:])
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
Line = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class StageCurve:
    """A version's loudness over the song, two values a cell, in LUFS as it plays now (None: silence, or
    outside of it). `colour` counts from 0 in the song's versions."""

    number: int
    name: str
    colour: int
    playing: bool
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """All that the stage shows. `low_lufs` and `high_lufs` are the scale; places are shares of the song:
    marks, the loop, the loudest and the quietest passage, the middles of the worst moments. In a trial there
    are no curves and no places."""

    bar: Bar
    curves: tuple[StageCurve, ...] = ()
    low_lufs: float = -40.0
    high_lufs: float = 0.0
    marks: tuple[float, ...] = ()
    loop: tuple[float, float] | None = None
    loudest: float | None = None
    quietest: float | None = None
    peak_room_db: float | None = None
    worst: tuple[float, ...] = ()


def stage_height(columns: int, rows: int) -> int:
    """Lines of the stage on a terminal of this size; 0 where there is none."""
    if columns < SMALLEST[0] or rows < SMALLEST[1]:
        return 0
    return 18 if rows >= 40 else 13 if rows >= 30 else 10


def curve_columns(width: int) -> int:
    """Cells of the curves on a stage of this width."""
    return max(width - GUTTER - 1, 1)


def stage_lines(stage: Stage, width: int, height: int) -> list[Line]:
    """The stage as `height` lines of at most `width` cells, each in pieces of one style."""
    bar = stage.bar
    playing = next((curve for curve in stage.curves if curve.playing), None)
    colour = "bold" if playing is None else f"bold {COLOURS[playing.colour % len(COLOURS)]}"
    sign = bar.trial.letter if bar.trial is not None else str(bar.number)
    glyph = GLYPHS.get(sign, NO_GLYPH)
    words = header_lines(bar, stage.peak_room_db, width - GUTTER - 1)
    styles = ("bold", "bold", "")
    lines: list[Line] = [
        [(colour, f" {part}  "), (style, set_cell_size(text, width - GUTTER).rstrip())]
        for part, text, style in zip(glyph, words, styles, strict=True)
    ]
    rows, columns = height - 5, curve_columns(width)
    share = min(max(bar.place_s / bar.length_s, 0.0), 1.0) if bar.length_s else 0.0
    head = min(int(share * columns), columns - 1)
    if bar.trial is None:
        lines += _plot(stage, rows, columns, head)
    else:
        lines += [[("", "")] for _ in range(rows)]
    lines.append([("", " " * GUTTER), *_ruler(stage, columns, head)])
    lines.append(_legend(stage, width))
    return lines


def _plot(stage: Stage, rows: int, columns: int, head: int) -> list[Line]:
    """The curves with their scale, the playhead through them."""
    cells = _braille(stage.curves, rows, columns, stage.low_lufs, stage.high_lufs)
    drawn = []
    for row in range(rows):
        scale = ""
        if row in (0, rows - 1):
            scale = level(stage.high_lufs if row == 0 else stage.low_lufs, 0)
        line: Line = [("dim", f"{scale:>{GUTTER - 1}} ")]
        for column, (colour, text) in enumerate(cells[row]):
            here = column == head
            style = COLOURS[colour % len(COLOURS)] if colour >= 0 else "dim"
            text = "│" if here and text == " " else text
            style = f"{style} reverse" if here and text != "│" else style
            if line[-1][0] == style and len(line) > 1:
                line[-1] = (style, line[-1][1] + text)
            else:
                line.append((style, text))
        drawn.append(line)
    return drawn


@lru_cache(maxsize=8)
def _braille(
    curves: tuple[StageCurve, ...], rows: int, columns: int, low: float, high: float
) -> tuple[tuple[tuple[int, str], ...], ...]:
    """(colour, character) of each cell; the version that plays is drawn last and covers the others."""
    dots = [[0] * columns for _ in range(rows)]
    colours = [[-1] * columns for _ in range(rows)]
    most = rows * 4 - 1
    for curve in sorted(curves, key=lambda one: one.playing):
        before: int | None = None
        for x, value in enumerate(curve.values[: columns * 2]):
            if value is None:
                before = None
                continue
            y = round(most * (high - min(max(value, low), high)) / (high - low))
            first, last = sorted((y, y if before is None else before))
            before = y
            last = min(last + 1, most) if curve.playing else last
            for each in range(first, last + 1):
                dots[each // 4][x // 2] |= _DOTS[each % 4][x % 2]
                colours[each // 4][x // 2] = curve.colour
    return tuple(
        tuple((colour, chr(0x2800 + dot) if dot else " ") for colour, dot in zip(hues, row, strict=True))
        for hues, row in zip(colours, dots, strict=True)
    )


def _ruler(stage: Stage, columns: int, head: int) -> Line:
    """Time from the beginning to the end: what has passed, the loop, worst moments, loudest and quietest
    passage, marks."""
    signs = ["━" if column <= head else "─" for column in range(columns)]

    def put(share: float | None, sign: str) -> None:
        if share is not None:
            signs[min(max(int(share * columns), 0), columns - 1)] = sign

    if stage.loop is not None:
        first, last = (min(max(int(one * columns), 0), columns - 1) for one in stage.loop)
        signs[first : last + 1] = "═" * (last + 1 - first)
        put(stage.loop[0], "[")
        put(stage.loop[1], "]")
    for share in stage.worst:
        put(share, "×")
    put(stage.quietest, "▽")
    put(stage.loudest, "▲")
    for share in stage.marks:
        put(share, "◆")
    before, after = "".join(signs[:head]), "".join(signs[head + 1 :])
    return [("", before), ("bold reverse", signs[head]), ("dim", after)]


def _legend(stage: Stage, width: int) -> Line:
    """The versions by number and name, and the passage's level against the other one."""
    if stage.bar.trial is not None:
        return [("", " " * GUTTER + difference_line(stage.bar, width - GUTTER))]
    line: Line = [("", " ")]
    used = 1
    for curve in stage.curves:
        text = f"{'▶' if curve.playing else ' '}{curve.number} {shortened(curve.name, 14)}  "
        if used + cell_len(text) > width // 2 + 6:
            break
        style = COLOURS[curve.colour % len(COLOURS)]
        line.append((f"bold {style}" if curve.playing else style, text))
        used += cell_len(text)
    signs = ["▲ loudest ▽ quietest"] if stage.loudest is not None else []
    signs += ["× worst"] if stage.worst else []
    room = width - used - 1
    said = difference_line(stage.bar, room)
    for text in signs:
        if cell_len(said) + cell_len(text) + 4 <= room:
            said = f"{said}   {text}"
    return [*line, ("", said)]


SCREEN_COLUMNS = 160
"""Cells of the stage that this screen is made from: twice as many values a curve."""
MODES: dict[State, str] = {
    "delivered": "The raw file",
    "played": "As listeners hear it",
    "matched": "Equally loud in this passage",
}
LISTENS: dict[Listen, str] = {"stereo": "", "mono": "mono", "side": "left minus right"}


def scene_json(stage: Stage) -> str:
    """Everything but the place, which moves."""
    bar = stage.bar
    if bar.trial is not None:
        letters = {"letters": list(bar.trial.letters), "letter": bar.trial.letter}
        return _json({"kind": "trial", **letters, "playing": bar.motion == "playing"})
    playing = next((curve for curve in stage.curves if curve.playing), None)
    version = bar.title if playing is None else playing.name
    scene = {
        "kind": "song",
        "title": bar.title.removesuffix(f"({version})").strip() if version != bar.title else "",
        "version": version,
        "colour": None if playing is None else _colour(playing),
        "mode": MODES[bar.state],
        "status": _status(bar),
        "loop": stage.loop,
    }
    # the curves change seldom, and are most of the text
    return f"{_json(scene)[:-1]}, {_curves_json(stage.curves, stage.low_lufs, stage.high_lufs)[1:]}"


def place_json(stage: Stage) -> str:
    """The moment: its share of the song, and the clock; empty in a blind trial."""
    bar = stage.bar
    if bar.trial is not None:
        return ""
    share = min(max(bar.place_s / bar.length_s, 0.0), 1.0) if bar.length_s else 0.0
    clock = f"{clock_time(bar.place_s)} / {clock_time(bar.length_s)}"
    return _json({"share": round(share, 4), "clock": clock})


def _status(bar: Bar) -> str:
    """What plays or does not, and what sounds odd on purpose."""
    state = "no sound" if not bar.alive else "muted" if bar.mute else bar.motion
    return " · ".join(one for one in (state, LISTENS[bar.listen]) if one)


@lru_cache(maxsize=4)
def _curves_json(curves: tuple[StageCurve, ...], low_lufs: float, high_lufs: float) -> str:
    def height(value: float | None) -> float | None:
        return None if value is None else round((min(max(value, low_lufs), high_lufs) - low_lufs) / span, 3)

    span = high_lufs - low_lufs
    drawn = [
        {
            "name": curve.name,
            "colour": _colour(curve),
            "playing": curve.playing,
            "heights": [height(value) for value in curve.values],
        }
        for curve in curves
    ]
    return _json({"curves": drawn})


def _colour(curve: StageCurve) -> str:
    return VERSIONS_ON_DARK[curve.colour % len(VERSIONS_ON_DARK)]


def _json(values: Mapping[str, Any]) -> str:
    return json.dumps(values, ensure_ascii=False, allow_nan=False)
