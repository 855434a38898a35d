"""Whole numbers as people type them: the digits 0 to 9, few enough to mean something."""

from __future__ import annotations

MOST_DIGITS = 9


def whole_number(word: str) -> int | None:
    """The number, or None: `str.isdigit` alone would let through what `int` refuses, such as “²” and
    thousands of digits."""
    return int(word) if word.isascii() and word.isdecimal() and len(word) <= MOST_DIGITS else None
