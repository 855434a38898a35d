"""Are the lanes there that a blind trial needs? Wanted together, so that no switch waits for one."""

from __future__ import annotations

from collections.abc import Iterable

from simulator.hearing.events import Prepared
from simulator.shell.deck.program import Deck, LaneKey


class Preparing:
    """What is being prepared; all calls belong to the deck's thread."""

    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._keys: tuple[LaneKey, ...] = ()

    @property
    def waits(self) -> bool:
        return bool(self._keys)

    def begin(self, keys: Iterable[LaneKey]) -> None:
        """Has these made before all others; what was asked for before is no longer waited for."""
        self._keys = tuple(keys)
        for key in self._keys:
            self._deck.lanes.want(key, urgent=True)

    def look(self, at: str) -> Prepared | None:
        """The answer, once: all lanes are whole, or one cannot be made."""
        views = [self._deck.lanes.look(key) for key in self._keys]
        problem = next((view.problem for view in views if view.problem is not None), "")
        if not views or not (problem or all(view.finished for view in views)):
            return None
        self._keys = ()
        return Prepared(problem, at)
