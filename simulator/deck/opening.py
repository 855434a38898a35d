"""The deck for a session: a device, the silent clock or a file."""

from __future__ import annotations

from pathlib import Path

from simulator.deck.live import LiveDeck
from simulator.deck.program import Deck
from simulator.deck.to_file import FileDeck

FILE_RATE = 44_100


def open_deck(
    device: str | None = None,
    to_file: Path | None = None,
    sample_rate: int | None = None,
    *,
    force: bool = False,
    silent: bool = False,
) -> Deck:
    """The deck into a file where one is named; else the device (None: the system's own), or the silent clock
    where nothing can sound (or it is asked for). Without `sample_rate` a device has its own, a file 44.1 kHz.
    Raises UsageError for a device that is not there, WriteError where the file or the lanes have no place."""
    if to_file is not None:
        return FileDeck(to_file, sample_rate or FILE_RATE, force=force)
    return LiveDeck(device, sample_rate, silent=silent)
