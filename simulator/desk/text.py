"""Paragraphs at the session's width, and the list of devices."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from simulator.deck.program import Deck, DeviceView

WIDEST = 100
"""Longer lines are hard to read on any screen."""


def wrapped(text: str, width: int) -> str:
    """One paragraph, or several with line ends between them, none longer than the screen."""
    lines = []
    for paragraph in text.splitlines() or [""]:
        lines += textwrap.wrap(paragraph, max(20, min(width - 1, WIDEST)), break_on_hyphens=False) or [""]
    return "\n".join(lines)


def where_it_goes(deck: Deck) -> str:
    """Where the sound goes, or why there is none and how to get it."""
    rate = f"{deck.sample_rate / 1000:g} kHz"
    if deck.kind == "file":
        return f"Rendering the session to a {rate} file. Time advances only on `wait`."
    if deck.kind == "silent":
        return f"No sound. {deck.silent_because or ''}".rstrip()
    return f"Playing through “{deck.device}” at {rate}."


def device_text(devices: Sequence[DeviceView], silent_because: str | None, width: int) -> str:
    """The devices by name, or why there is none."""
    if not devices:
        return wrapped(silent_because or "No output device found.", width)
    lines = ["Outputs (to choose one: devices NAME):"]
    for one in devices:
        notes = [f"{one.channels} channels", f"{one.sample_rate / 1000:g} kHz"]
        notes += ["system default"] if one.default else []
        mark = "*" if one.chosen else " "
        lines.append(f" {mark} {one.name}  ({', '.join(notes)})")
    lines.append("* is in use." if any(one.chosen for one in devices) else "None is in use.")
    return "\n".join(lines)
