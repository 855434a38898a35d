"""A blind trial waits until every lane it needs is whole, and says it once."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulator.hearing.events import Prepared
from simulator.shell.deck.program import LaneKey, LaneView
from simulator.shell.desk_preparing import Preparing

FIRST, SECOND = LaneKey("/open.wav", None), LaneKey("/loud.wav", None)


@dataclass
class Lanes:
    """Lanes that grow by hand."""

    views: dict[LaneKey, LaneView] = field(default_factory=dict)
    urgent: list[LaneKey] = field(default_factory=list)

    def want(self, key: LaneKey, *, urgent: bool = False) -> LaneView:
        if urgent:
            self.urgent.append(key)
        return self.look(key)

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
    assert deck.lanes.urgent == [FIRST, SECOND]
    deck.lanes.views[FIRST] = LaneView(9, 9, True, None)
    deck.lanes.views[SECOND] = LaneView(5, 9, False, None)
    assert preparing.waits
    assert preparing.look("at 1") is None
    deck.lanes.views[SECOND] = LaneView(9, 9, True, None)
    assert preparing.look("at 2") == Prepared("", "at 2")
    assert preparing.look("at 3") is None
    assert not preparing.waits


def test_a_lane_that_cannot_be_made_is_the_answer_at_once() -> None:
    deck = Deck()
    preparing = Preparing(deck)  # type: ignore[arg-type]
    preparing.begin([FIRST, SECOND])
    deck.lanes.views[SECOND] = LaneView(0, None, True, "loud.wav: cut short")
    assert preparing.look("at 1") == Prepared("loud.wav: cut short", "at 1")
    assert not preparing.waits
