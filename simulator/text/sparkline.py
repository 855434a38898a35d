"""A curve in one line of a terminal, from block characters."""

from __future__ import annotations

from collections.abc import Sequence

BLOCKS = "▁▂▃▄▅▆▇█"
PLAIN = ".:-=+*#@"
"""For terminals without block characters."""


def sparkline(
    values: Sequence[float | None], low: float, high: float, width: int, *, blocks: bool = True
) -> str:
    """The values as `width` characters between `low` and `high`; a blank where there is none.

    More values than characters: each character shows the highest of its share, as a peak meter would.
    """
    marks = BLOCKS if blocks else PLAIN
    line = []
    for column in range(min(width, len(values))):
        begin = column * len(values) // min(width, len(values))
        end = max(begin + 1, (column + 1) * len(values) // min(width, len(values)))
        known = [value for value in values[begin:end] if value is not None]
        if not known:
            line.append(" ")
            continue
        place = (max(known) - low) / (high - low) if high > low else 1.0
        line.append(marks[min(len(marks) - 1, max(0, int(place * len(marks))))])
    return "".join(line)
