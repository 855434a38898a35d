"""Chance of a page, from one seed, so that the page can be made again.

Drawn are the page's id, the neutral names of its sounds, the curtain's key, the seeds of the vote's draws
and of the dither, and the order in which sounds stand.
"""

from __future__ import annotations

from typing import Any

import numpy as np

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


class Chance:
    """All of a page's chance, from one seed."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._taken: set[str] = set()

    def number(self) -> int:
        return int(self._random.integers(0, 2**53))

    def word(self, length: int) -> str:
        return "".join(_LETTERS[int(place)] for place in self._random.integers(0, len(_LETTERS), length))

    def name(self) -> str:
        """A free name for a sound, which tells nothing."""
        while (name := f"c{self.word(6)}") in self._taken:
            pass
        self._taken.add(name)
        return name

    def key(self) -> bytes:
        return self._random.bytes(32)

    def shuffle(self, items: list[Any]) -> None:
        order = self._random.permutation(len(items))
        items[:] = [items[int(place)] for place in order]
