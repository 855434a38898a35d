"""Colours of the versions, the same in charts, on the page and in the terminal.

The open version is teal, the loud one rust; further versions follow in order. Colour is never alone: a name,
a line style or a sign says the same. The terminal's tones of loud and open have a contrast of at least 4.1:1
on black and on white (by the formula of WCAG 2.2).
"""

from __future__ import annotations

OPEN = "#14545c"
LOUD = "#a8501a"
VERSIONS = (OPEN, LOUD, "#4a4f8f", "#6b6b6b", "#7a6100", "#8a2f62")
"""On light paper. Versions of a song, the one that the others are held against first."""
VERSIONS_ON_DARK = ("#84c9c4", "#e89a5d", "#aab0f0", "#b5b5b5", "#d8c46a", "#e39ac2")
TERMINAL_STYLES = {
    "open": "#008a92",
    "loud": "#cf5a00",
    "fix": "bold red",
    "look": "yellow",
    "fine": "green",
    "answer": "bold",
    "soft": "dim",
}
"""Style names for rich. Findings use the terminal's own red, yellow and green."""
