"""How is a text from outside shown? As text: what would steer a terminal is spelled out."""

from __future__ import annotations

import unicodedata

_SPELLED = ("Cc", "Zl", "Zp")
"""Control characters and separators of lines and paragraphs."""


def visible(text: str, keep: str = "") -> str:
    """The text with every control character spelled out (`\\x1b`), but for those in `keep`. File names and
    titles may hold any; a terminal would obey them."""
    if text.isprintable():
        return text
    return "".join(
        one if one in keep or unicodedata.category(one) not in _SPELLED else f"\\x{ord(one):02x}"
        for one in text
    )
