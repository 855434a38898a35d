"""A blind trial waits until every lane it needs is whole, and says it once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.deck.interface import DeckSegment, LaneKey, LaneView
from simulator.desk.controller import Preparing
from simulator.session.events import Prepared

RATE = 48_000
FIRST, SECOND = LaneKey("/open.wav", None), LaneKey("/loud.wav", None)
PASSAGES = [DeckSegment(FIRST, 9 * RATE, 11 * RATE), DeckSegment(SECOND, 9 * RATE + 2400, 11 * RATE + 2400)]


@dataclass
class Lanes:
    """Lanes that grow by hand."""

    views: dict[LaneKey, LaneView] = field(default_factory=dict)
    held: list[tuple[LaneKey, ...]] = field(default_factory=list)
    problem: str | None = None
    peaks: dict[LaneKey, float] = field(default_factory=dict)

    def hold(self, keys: Sequence[LaneKey]) -> str | None:
        self.held.append(tuple(keys))
        return self.problem

    def read(self, key: LaneKey, first: int, end: int) -> NDArray[np.float32]:
        """A sine of 1 kHz; nothing of a lane without a level."""
        peak = self.peaks.get(key, 0.0)
        wave = peak * np.sin(2 * np.pi * 1000.0 * np.arange(first, end) / RATE)
        return np.stack([wave, wave], axis=1).astype(np.float32)

    def look(self, key: LaneKey) -> LaneView:
        return self.views.get(key, LaneView(0, None, False, None))


@dataclass
class Deck:
    sample_rate: int = RATE
    lanes: Lanes = field(default_factory=Lanes)


def test_it_answers_once_when_all_lanes_are_whole() -> None:
    deck = Deck()
    preparing = Preparing(deck)  # type: ignore[arg-type]
    assert preparing.look("at 0") is None
    preparing.begin(PASSAGES)
    assert deck.lanes.held == [(FIRST, SECOND)]
    deck.lanes.views[FIRST] = LaneView(9, 9, True, None)
    deck.lanes.views[SECOND] = LaneView(5, 9, False, None)
    assert preparing.waits
    assert preparing.look("at 1") is None
    deck.lanes.views[SECOND] = LaneView(9, 9, True, None)
    assert preparing.look("at 2") == Prepared("", "at 2")
    assert preparing.look("at 3") is None
    assert not preparing.waits
    assert deck.lanes.held[1:] == []  # they stay until the trial is over
    preparing.end()
    preparing.end()
    assert deck.lanes.held[1:] == [()]


def test_a_trial_that_is_left_is_no_longer_waited_for() -> None:
    deck = Deck()
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin(PASSAGES)
    preparing.end()
    assert not preparing.waits
    assert preparing.look("at 1") is None


def test_a_lane_that_cannot_be_made_is_the_answer_at_once() -> None:
    deck = Deck()
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin(PASSAGES)
    deck.lanes.views[SECOND] = LaneView(0, None, True, "loud.wav: cut short")
    assert preparing.look("at 1") == Prepared("loud.wav: cut short", "at 1")
    assert not preparing.waits


def test_lanes_that_cannot_be_there_together_are_refused_at_once_and_not_waited_for() -> None:
    deck = Deck(lanes=Lanes(problem="They need too much."))
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin(PASSAGES)
    assert preparing.look("at 1") == Prepared("They need too much.", "at 1")
    assert not preparing.waits
    deck.lanes.problem = None
    preparing.begin(PASSAGES)
    assert preparing.look("at 2") is None


def test_the_answer_holds_how_loud_each_passage_is_in_its_lane() -> None:
    """A 1 kHz sine in both channels reads its peak in dBFS (Tech 3341, signal 1), to 0.01 LU."""
    deck = Deck(lanes=Lanes(peaks={FIRST: 10.0 ** (-23.0 / 20.0), SECOND: 10.0 ** (-33.0 / 20.0)}))
    deck.lanes.views = {key: LaneView(9, 9, True, None) for key in (FIRST, SECOND)}
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin(PASSAGES)
    found = preparing.look("at 1")
    assert found is not None
    assert found.levels_lufs == pytest.approx((-23.0, -33.0), abs=0.01)


@pytest.mark.parametrize("seconds", [2, 31])
def test_where_one_is_silent_or_too_long_to_be_read_none_is_told(seconds: int) -> None:
    deck = Deck(lanes=Lanes(peaks={FIRST: 0.1, SECOND: 0.1 * (seconds > 30)}))
    deck.lanes.views = {key: LaneView(9, 9, True, None) for key in (FIRST, SECOND)}
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin(DeckSegment(key, 0, seconds * RATE) for key in (FIRST, SECOND))
    assert preparing.look("at 1") == Prepared("", "at 1", ())
