"""Text and numbers for people: text from outside made safe to print, one decimal, a true minus."""

from __future__ import annotations

import shlex
import unicodedata
from collections.abc import Sequence

_SPELLED = ("Cc", "Cs", "Zl", "Zp")
"""Control characters, bytes that are not text (Python's surrogates), separators of lines and paragraphs."""
_TURNING = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
"""Embeddings, overrides and isolates of direction (Unicode, UAX #9): unclosed, they turn the rest of the
line. The plain marks, which texts in Arabic or Hebrew need, stay."""


def capital(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def visible(text: str, keep: str = "") -> str:
    """The text with every character that would steer a terminal or turn the line spelled out (`\\x1b`,
    `\\u202e`), except those in `keep`. File names and titles may hold any."""
    if text.isprintable():
        return text
    return "".join(
        _spelled(char)
        if char not in keep
        and (unicodedata.category(char) in _SPELLED or unicodedata.bidirectional(char) in _TURNING)
        else char
        for char in text
    )


LONGEST_LINE = 5000
"""Characters of a line of a message: more than the longest path of a file on Linux (4096 bytes)."""


def within_bounds(text: str) -> str:
    """The text with the middle of every line longer than any path left out: a line names its subject at the
    beginning and the fault at the end."""
    if len(text) <= LONGEST_LINE:
        return text
    return "\n".join(
        line if len(line) <= LONGEST_LINE else f"{line[:200]} [...] {line[-200:]}"
        for line in text.split("\n")
    )


def as_utf8(text: str) -> str:
    """The text with bytes of another encoding (in a file name or a line) spelled out as `\\xe4`."""
    return "".join(_spelled(char) if unicodedata.category(char) == "Cs" else char for char in text)


def _spelled(char: str) -> str:
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that is not text: PEP 383
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


MOST_DIGITS = 9


def whole_number(word: str) -> int | None:
    """The number, or None. `str.isdigit` alone would pass “²” and thousands of digits, which `int`
    refuses."""
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
    """The text with hyphens for true minus signs, as Python reads them: a number may be copied from a
    screen."""
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
    return "<0.1 %" if 0.0 < percent < 0.1 else f"{percent:.1f} %"


def counted(number: int, noun: str, plural: str = "") -> str:
    """`1 track`, `2 tracks`; `plural` where it is more than the noun with an s."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def typed_command(before: str, words: Sequence[str], width: int = 79) -> str:
    """A command to type, after `before`, or on lines of its own where it is longer than `width`; a line that
    continues ends in a backslash."""
    quoted = [shlex.quote(word) for word in words]
    whole = f"{before} {' '.join(quoted)}"
    if len(whole) <= width:
        return whole
    lines = ["  " + quoted[0]]
    for word in quoted[1:]:
        if len(lines[-1]) + len(word) + 3 > width:
            lines[-1] += " \\"
            lines.append("   ")
        lines[-1] += f" {word}"
    return "\n".join([before, *lines])
