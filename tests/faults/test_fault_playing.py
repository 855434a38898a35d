"""A master is deleted, cut short or replaced while it plays: the session goes on, and says what it must."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.deck.interface import DeckProgram, DeckSegment, LaneKey
from simulator.deck.to_file import FileDeck

RATE = 44_100
SECONDS = 120


def write(path: Path, seed: int) -> np.ndarray:
    part = (np.random.default_rng(seed).uniform(-0.3, 0.3, (RATE, 2)) * 32767).astype(np.int16)
    with soundfile.SoundFile(path, "w", RATE, 2, subtype="PCM_16") as file:
        for _ in range(SECONDS):
            file.write(part)
    return part.astype(np.float32) / np.float32(32768.0)


def delete(path: Path) -> None:
    path.unlink()


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 16)


def replaced(path: Path) -> None:
    write(path.with_name("new.wav"), 2)
    path.with_name("new.wav").replace(path)


@pytest.mark.heavy
@pytest.mark.parametrize("change", [delete, cut, replaced])
def test_what_plays_goes_on_while_its_file_is_touched(change: Callable[[Path], None], tmp_path: Path) -> None:
    """Deleted and replaced files play on, as the reader holds them open; what is cut off is silence. Another
    song plays after it as if nothing had been."""
    path, other = tmp_path / "song.wav", tmp_path / "other.wav"
    first, second = write(path, 1), write(other, 3)
    deck = FileDeck(tmp_path / "out.wav", RATE, cache=tmp_path / "cache")
    try:
        deck.sound(DeckProgram((DeckSegment(LaneKey(str(path)), 0, None),)))
        deck.pass_time(0.5)
        change(path)
        deck.pass_time(2.0)
        now = deck.now()
        assert now.alive
        deck.sound(DeckProgram((DeckSegment(LaneKey(str(other)), 0, None),)))
        deck.pass_time(1.0)
    finally:
        deck.close()
    out, _ = soundfile.read(tmp_path / "out.wav", dtype="float32")
    half = RATE // 2
    assert np.array_equal(out[441 : half - 441], first[441 : half - 441])
    later = out[half + 441 : 2 * half]
    assert np.array_equal(later, first[half + 441 :]) or not later.any()
    end = out[-half:-1000]
    at = RATE - half - 441  # the second one began after a fade of 221 frames
    windows = [
        np.array_equal(end, second[at + shift : at + shift + end.shape[0]]) for shift in range(-600, 1400)
    ]
    assert any(windows)
