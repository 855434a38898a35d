"""A session played into a file: the same callback, time that is let pass."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.live_decks import made, whole
from support.sound_server import RATE

from simulator.common.errors import UsageError, WriteError
from simulator.deck.interface import DeckProgram, DeckSegment, LaneKey
from simulator.deck.renderer import lane_blocks
from simulator.deck.to_file import FileDeck
from simulator.dsp.ceiling import LimiterSettings
from simulator.normalizer.chain import ChainSettings


def test_a_session_in_a_file_equals_the_offline_samples(tmp_path: Path) -> None:
    """A gapless list with a gain, a pause, a limited lane from its middle, and the end."""
    first, one = made(tmp_path, "one.wav", 1.0, 1)
    second, two = made(tmp_path, "two.wav", 1.0, 2)
    limited = LaneKey(first.path, ChainSettings(30.0, LimiterSettings(-1.0, "sample", 2.0, 100.0)))
    deck = FileDeck(tmp_path / "out.wav", RATE, cache=tmp_path / "cache")
    assert (deck.kind, deck.sample_rate, deck.latency_s) == ("file", RATE, 0.0)
    with pytest.raises(UsageError, match="plays into"):
        deck.choose("x")
    deck.pass_time(0.1)
    deck.sound(whole(first, second, gain=0.5))
    deck.pass_time(1.5)
    now = deck.now()
    assert (now.segment, now.frame, now.playing) == (1, RATE // 2, True)
    deck.pause()
    deck.pass_time(0.5)
    deck.sound(DeckProgram((DeckSegment(limited, 0, None),)), 0, RATE // 2)
    deck.pass_time(0.1)
    assert not deck.now().playing  # paused stays paused
    deck.resume()
    deck.pass_time(1.0)
    assert deck.now().ended
    assert np.array_equal(deck.recent(0.2), np.zeros((round(0.2 * RATE), 2), np.float32))
    deck.close()
    deck.close()
    out, _ = soundfile.read(tmp_path / "out.wav", dtype="float32")
    wanted = np.concatenate([one, two])[: 3 * RATE // 2] * np.float32(0.5)
    begin = RATE // 10
    assert not out[:begin].any()
    assert np.array_equal(out[begin : begin + wanted.shape[0]], wanted)
    lane = np.concatenate(list(lane_blocks(limited, RATE)))[RATE // 2 :]
    at = begin + wanted.shape[0] + round(0.6 * RATE)
    assert not out[at - round(0.5 * RATE) : at].any()
    assert np.array_equal(out[at + 221 : at + lane.shape[0]], lane[221:])
    assert not out[at + lane.shape[0] :].any()
    assert out.shape[0] == round(3.2 * RATE)
    assert list((tmp_path / "cache" / "scratch").iterdir()) == []


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    (tmp_path / "out.wav").write_bytes(b"mine")
    with pytest.raises(WriteError, match="not overwritten"):
        FileDeck(tmp_path / "out.wav", RATE)
    with pytest.raises(WriteError, match="nowhere"):
        FileDeck(tmp_path / "nowhere" / "out.wav", RATE)
    assert (tmp_path / "out.wav").read_bytes() == b"mine"


def test_a_session_that_played_nothing_replaces_no_old_recording(tmp_path: Path) -> None:
    old = tmp_path / "keep.wav"
    old.write_bytes(b"an older session")
    deck = FileDeck(old, RATE, force=True, cache=tmp_path / "cache")
    deck.close()
    deck.close()
    FileDeck(tmp_path / "new.wav", RATE, cache=tmp_path / "cache").close()
    assert old.read_bytes() == b"an older session"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cache", "keep.wav"]
