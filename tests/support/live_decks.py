"""Waiting for a deck, and files for it to play."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import soundfile
from support.sound_server import RATE, Audio, unique_frames

from simulator.deck.interface import Deck, DeckProgram, DeckSegment, LaneKey, Now
from simulator.deck.live import LiveDeck

LIMIT_SECONDS = 20.0


def until(deck: Deck, true: Callable[[Now], bool], seconds: float = LIMIT_SECONDS) -> Now:
    """Ticks the deck as a session does until this is so; AssertionError with the state where it is not."""
    end = time.monotonic() + seconds
    while not true(now := deck.now()):
        assert time.monotonic() < end, now
        time.sleep(0.02)
    return now


def process_ids(deck: LiveDeck) -> list[int]:
    """The processes that work for a deck now: the stream's, and that which makes the lanes."""
    renderer = None if deck._running is None else deck._running.renderer._child._process
    return [int(one.pid) for one in (deck._stream._process, renderer) if one is not None]


def made(folder: Path, name: str, seconds: float, seed: int) -> tuple[LaneKey, Audio]:
    """A float32 file of frames that are all different, and those frames."""
    samples = unique_frames(round(seconds * RATE), seed)
    soundfile.write(folder / name, samples, RATE, subtype="FLOAT")
    return LaneKey(str(folder / name)), samples


def prepare(deck: Deck, *keys: LaneKey) -> None:
    """Waits until these lanes are made whole."""
    for key in keys:
        deck.lanes.want(key)
    until(deck, lambda _: all(deck.lanes.look(key).finished for key in keys))


def whole(*keys: LaneKey, gain: float = 1.0) -> DeckProgram:
    """These tracks, each from its beginning to its end, without a gap."""
    return DeckProgram(tuple(DeckSegment(key, 0, None, gain) for key in keys))
