"""Text from outside, shown and kept safely: what would steer a terminal, change the direction of the line or
has no form in UTF-8 is spelled out.
"""

from __future__ import annotations

import unicodedata

_SPELLED = ("Cc", "Cs", "Zl", "Zp")
"""Control characters, bytes that are no text (Python's surrogates), separators of lines and paragraphs."""
_TURNING = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
"""Embeddings, overrides and isolates of direction (Unicode, UAX #9): without their ends they turn what
follows. The plain marks, which texts in Arabic or Hebrew need, stay."""


def capital(text: str) -> str:
    """The same as the beginning of a sentence."""
    return text[:1].upper() + text[1:]


def visible(text: str, keep: str = "") -> str:
    """The text with every character that steers spelled out (`\\x1b`, `\\u202e`), but for those in `keep`.
    File names and titles may hold any; a terminal would obey them."""
    if text.isprintable():
        return text
    return "".join(one if one in keep or not _steers(one) else _spelled(one) for one in text)


LONGEST_LINE = 5000
"""Characters of a line of a message: more than the longest path of a file on Linux (4096 bytes)."""


def within_bounds(text: str) -> str:
    """The text with the middle of every line that is longer than any path left out: what the line is about
    is named at its beginning, what is the matter at its end."""
    if len(text) <= LONGEST_LINE:
        return text
    return "\n".join(
        line if len(line) <= LONGEST_LINE else f"{line[:200]} [...] {line[-200:]}"
        for line in text.split("\n")
    )


def as_utf8(text: str) -> str:
    """The text with what UTF-8 has no form for spelled out: a byte of another encoding, from a file name or
    a line, as `\\xe4`. Everything else stays as it is."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return "".join(_spelled(one) if unicodedata.category(one) == "Cs" else one for one in text)
    return text


def _steers(one: str) -> bool:
    return unicodedata.category(one) in _SPELLED or unicodedata.bidirectional(one) in _TURNING


def _spelled(one: str) -> str:
    code = ord(one)
    if 0xDC80 <= code <= 0xDCFF:  # a byte that was no text: PEP 383
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
