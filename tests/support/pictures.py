"""The README's pictures, drawn from what the program prints and draws for its demo.

`python -m tests.support.pictures` writes them into demo_playlist/pictures/. A screen is the first 24 lines at
80 columns; a chart is the one of --figure, its curves thinned to what can be seen.
"""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.terminal_theme import DEFAULT_TERMINAL_THEME
from rich.text import Text

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "demo_playlist" / "pictures"
CHART = "chart.svg"
PICTURES = {
    "compare": ("compare", "demo"),
    "over-time": ("compare", "demo", "--figure", CHART),
    "ladder": ("ladder", "demo"),
}
"""What draws each picture: a screen, or a chart where CHART is named."""

COLUMNS, LINES = 80, 24
LARGEST_BYTES = 60_000
THINNED_TO_POINTS = 0.25
"""A curve moves by no more than this part of 1/72 inch where points are left out."""

SCREEN = """<svg class="screen" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; \
font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<rect width="{width}" height="{height}" fill="#ffffff"/>
<defs>{lines}</defs>
<g transform="translate(9, 9)">{backgrounds}<g class="{unique_id}-matrix">{matrix}</g></g>
</svg>
"""


def draw(name: str) -> str:
    """The picture as SVG, of the program as it is now."""
    with tempfile.TemporaryDirectory() as folder:
        printed = _printed(PICTURES[name], Path(folder))
        chart = Path(folder) / CHART
        return _thinned(chart.read_text(encoding="utf-8")) if chart.exists() else _screen(name, printed)


def words(svg: str) -> list[str]:
    """What can be read in a picture: the lines of a screen, the labels of a chart."""
    described = re.search(r"<desc>(.*?)</desc>", svg, re.DOTALL)
    if described:
        return [line.rstrip() for line in described[1].split("\n")]
    return sorted(re.findall(r"<text[^>]*>([^<]+)</text>", svg))


def curves(svg: str) -> list[NDArray[np.float64]]:
    """The curves of a chart: (points, 2), each in a box from 0 to 1."""
    found = [_points(path) for path in re.findall(r' d="([^"]+)"', svg)]
    return [
        (points - points.min(axis=0)) / np.ptp(points, axis=0)
        for points in found
        if points is not None and len(points) > 20 and np.ptp(points, axis=0).all()
    ]


def _printed(arguments: tuple[str, ...], folder: Path) -> str:
    """Standard output of the command, with its colours."""
    done = subprocess.run(
        [sys.executable, "-m", "simulator", *arguments],
        cwd=folder,
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "PYTHONIOENCODING": "utf-8",
            "COLUMNS": str(COLUMNS),
            "FORCE_COLOR": "1",
            "TERM": "xterm-256color",
            "COLORTERM": "truecolor",
        },
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    return done.stdout


def _screen(name: str, printed: str) -> str:
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True)
    text = Text.from_ansi("\n".join(printed.strip("\n").split("\n")[:LINES]))
    console.print(text, soft_wrap=True)
    svg = console.export_svg(theme=DEFAULT_TERMINAL_THEME, code_format=SCREEN, unique_id=name)
    return svg.replace("<style>", f"<desc>{escape(text.plain)}</desc>\n<style>", 1)


def _thinned(svg: str) -> str:
    """Without dates and versions, and with as many points and digits as can be seen."""
    svg = re.sub(r"<!DOCTYPE.*?>\s*|<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"\n\s+", "\n", svg)
    svg = re.sub(r' d="([^"]+)"', lambda path: f' d="{_thinned_path(path[1])}"', svg)
    return re.sub(r"-?\d+\.\d{2,}", lambda number: f"{float(number[0]):.1f}".removesuffix(".0"), svg)


def _thinned_path(path: str) -> str:
    points = _points(path)
    if points is None and path.count("C") > 100:
        return _dots(path)
    if points is None or len(points) < 20:
        return " ".join(path.split())
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points[_kept(points)])


def _dots(path: str) -> str:
    """The circles of a dotted hatching as squares of their size, which is too small to see the difference; of
    those around its tile of 72 units, each once."""
    squares = {}
    for part in path.split("M")[1:]:
        corners = np.array(re.findall(r"-?\d[\d.e-]*", part), dtype=np.float64).reshape(-1, 2)
        x, y = corners.min(axis=0)
        if -9 < x < 81 and -9 < y < 81:
            across = np.ptp(corners[:, 0])
            squares[f"M{x:.1f} {y:.1f}h{across:.1f}v{across:.1f}h{-across:.1f}z"] = None
    return "".join(squares)


def _points(path: str) -> NDArray[np.float64] | None:
    """The corners of an open run of straight lines; None for any other path."""
    if re.search(r"[^ML\d\s.e-]", path) or path.count("M") != 1:
        return None
    return np.array(re.findall(r"-?\d[\d.e-]*", path), dtype=np.float64).reshape(-1, 2)


def _kept(points: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which points a line needs to stay within THINNED_TO_POINTS of itself (Douglas and Peucker, 1973)."""
    kept = np.zeros(len(points), dtype=bool)
    kept[[0, -1]] = True
    parts = [(0, len(points) - 1)]
    while parts:
        first, last = parts.pop()
        if last - first < 2:
            continue
        along = points[last] - points[first]
        inner = points[first + 1 : last] - points[first]
        length = float(np.hypot(*along)) or 1.0
        far = np.abs(inner[:, 0] * along[1] - inner[:, 1] * along[0]) / length
        worst = int(far.argmax())
        if far[worst] > THINNED_TO_POINTS:
            middle = first + 1 + worst
            kept[middle] = True
            parts += [(first, middle), (middle, last)]
    return kept


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for each in PICTURES:
        drawn = draw(each)
        (FOLDER / f"{each}.svg").write_text(drawn, encoding="utf-8")
        print(f"{FOLDER / each}.svg: {len(drawn.encode()):,} bytes")
