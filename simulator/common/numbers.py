"""Numbers written for people: one decimal, a true minus, a dash where there is none.

Numbers in the reports, as everywhere.

Whole numbers as people type them: the digits 0 to 9, few enough to mean something.
"""

from __future__ import annotations

__all__ = ["NONE", "level", "share", "signed", "true_minus", "typed_minus"]


MOST_DIGITS = 9


def whole_number(word: str) -> int | None:
    """The number, or None: `str.isdigit` alone would let through what `int` refuses, such as “²” and
    thousands of digits."""
    return int(word) if word.isascii() and word.isdecimal() and len(word) <= MOST_DIGITS else None


NONE = "–"


def level(value: float | None, decimals: int = 1) -> str:
    """A level, or a dash. Never "−0.0"."""
    if value is None:
        return NONE
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return true_minus(text)


def true_minus(text: str) -> str:
    """The text with true minus signs (U+2212) for its hyphens."""
    return text.replace("-", "−")


def typed_minus(text: str) -> str:
    """The text with hyphens for true minus signs, as Python reads them: a number may come from a screen."""
    return text.replace("−", "-")


def printed_gap(a: float | None, b: float | None, decimals: int = 1) -> float | None:
    """a minus b as a reader works it out from the two printed figures; None without both."""
    return None if a is None or b is None else round(round(a, decimals) - round(b, decimals), decimals)


def signed(value: float | None, decimals: int = 1) -> str:
    """A change, with its sign; "0.0" without one."""
    text = level(value, decimals)
    return text if value is None or text.startswith("−") or float(text) == 0.0 else f"+{text}"


def share(value: float) -> str:
    """A share as a percentage; below a tenth of a percent it says so."""
    percent = 100.0 * value
    if 0.0 < percent < 0.1:
        return "<0.1 %"
    return f"{percent:.1f} %"
