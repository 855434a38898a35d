"""A blind trial waits until every lane it needs is whole, and says it once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from simulator.hearing.events import Prepared
from simulator.shell.deck.program import LaneKey, LaneView
from simulator.shell.desk_preparing import Preparing

FIRST, SECOND = LaneKey("/open.wav", None), LaneKey("/loud.wav", None)


@dataclass
class Lanes:
    """Lanes that grow by hand."""

    views: dict[LaneKey, LaneView] = field(default_factory=dict)
    held: list[tuple[LaneKey, ...]] = field(default_factory=list)
    problem: str | None = None

    def hold(self, keys: Sequence[LaneKey]) -> str | None:
        self.held.append(tuple(keys))
        return self.problem

    def look(self, key: LaneKey) -> LaneView:
        return self.views.get(key, LaneView(0, None, False, None))


@dataclass
class Deck:
    lanes: Lanes = field(default_factory=Lanes)


def test_it_answers_once_when_all_lanes_are_whole() -> None:
    deck = Deck()
    preparing = Preparing(deck)  # type: ignore[arg-type]
    assert preparing.look("at 0") is None
    preparing.begin([FIRST, SECOND])
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
    preparing.begin([FIRST, SECOND])
    preparing.end()
    assert not preparing.waits
    assert preparing.look("at 1") is None


def test_a_lane_that_cannot_be_made_is_the_answer_at_once() -> None:
    deck = Deck()
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin([FIRST, SECOND])
    deck.lanes.views[SECOND] = LaneView(0, None, True, "loud.wav: cut short")
    assert preparing.look("at 1") == Prepared("loud.wav: cut short", "at 1")
    assert not preparing.waits


def test_lanes_that_cannot_be_there_together_are_refused_at_once_and_not_waited_for() -> None:
    deck = Deck(Lanes(problem="They need too much."))
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin([FIRST, SECOND])
    assert preparing.look("at 1") == Prepared("They need too much.", "at 1")
    assert not preparing.waits
    deck.lanes.problem = None
    preparing.begin([FIRST, SECOND])
    assert preparing.look("at 2") is None
