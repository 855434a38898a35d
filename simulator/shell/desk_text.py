"""What does the desk itself say? Paragraphs at the session's width, and the devices that were found."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from simulator.shell.deck.program import DeviceView

WIDEST = 100
"""Longer lines are hard to read on any screen."""


def wrapped(text: str, width: int) -> str:
    """One paragraph, or several with line ends between them, none longer than the screen."""
    lines = []
    for paragraph in text.splitlines() or [""]:
        lines += textwrap.wrap(paragraph, max(20, min(width - 1, WIDEST)), break_on_hyphens=False) or [""]
    return "\n".join(lines)


def device_text(devices: Sequence[DeviceView], silent_because: str | None, width: int) -> str:
    """The devices by name, or why there is none."""
    if not devices:
        return wrapped(silent_because or "No output device was found.", width)
    lines = ["Devices (choose one with: devices NAME):"]
    for one in devices:
        notes = [f"{one.channels} channels", f"{one.sample_rate / 1000:g} kHz"]
        notes += ["the system's own"] if one.default else []
        mark = "*" if one.chosen else " "
        lines.append(f" {mark} {one.name}  ({', '.join(notes)})")
    lines.append(
        "The * marks the one that plays." if any(one.chosen for one in devices) else "None plays now."
    )
    return "\n".join(lines)
