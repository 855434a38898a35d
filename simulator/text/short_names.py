"""Short names of versions: the part of their titles or file names that differs."""

from __future__ import annotations

import re
from collections.abc import Sequence

from simulator.text.tables import shortened

LONGEST_NAME = 24
_WORD = re.compile(r"[^\s_\-–—()\[\],]+")


def short_names(titles: Sequence[str], longest: int = LONGEST_NAME) -> tuple[str, ...]:
    """What to call each of several versions on one screen, all different.

    Words that all titles begin or end with are left out: "Song (open master)" and "Song (loud master)" are
    "open" and "loud". A title with nothing left keeps its last shared word; a bare number keeps the word
    before it. Names over `longest` characters lose their middle; names still alike carry their place.
    """
    if len(titles) < 2:
        return tuple(shortened(title, longest) for title in titles)
    words = [list(_WORD.finditer(title)) for title in titles]
    keys = [[word.group().casefold() for word in row] for row in words]
    head = _shared(keys)
    tail = _shared([list(reversed(row[head:])) for row in keys])
    names = []
    for title, row in zip(titles, words, strict=True):
        first, last = head, len(row) - tail
        if first >= last:  # nothing of its own
            first, last = max(0, head - 1), max(head, 1)
        elif last - first == 1 and row[first].group().isdecimal() and first > 0:
            first -= 1
        own = title[row[first].start() : row[last - 1].end()] if row[first:last] else title
        names.append(shortened(own, longest))
    if len({name.casefold() for name in names}) < len(names):
        names = [f"{shortened(name, longest - 4)} ({place})" for place, name in enumerate(names, 1)]
    return tuple(names)


def _shared(rows: Sequence[Sequence[str]]) -> int:
    """How many items all rows begin with."""
    count = 0
    for column in zip(*rows, strict=False):
        if len(set(column)) > 1:
            break
        count += 1
    return count
