"""Are the lanes there that a blind trial needs? Held together until it is over, so that no switch waits for
one.
"""

from __future__ import annotations

from collections.abc import Iterable

from simulator.hearing.events import Prepared
from simulator.shell.deck.program import Deck, LaneKey


class Preparing:
    """What is being prepared; all calls belong to the deck's thread."""

    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._keys: tuple[LaneKey, ...] = ()
        self._problem: str | None = None

        self._held = False

    @property
    def waits(self) -> bool:
        return bool(self._keys)

    def begin(self, keys: Iterable[LaneKey]) -> None:
        """Has these made before all others; what was asked for before is no longer waited for."""
        self._keys = tuple(keys)
        self._problem = self._deck.lanes.hold(self._keys)
        self._held = True

    def end(self) -> None:
        """The trial is over, or was left: nothing is waited for, and the lanes may go."""
        if self._held:
            self._keys, self._problem, self._held = (), None, False
            self._deck.lanes.hold(())

    def look(self, at: str) -> Prepared | None:
        """The answer, once: all lanes are whole, or one cannot be made, or not all of them together."""
        views = [self._deck.lanes.look(key) for key in self._keys]
        problems = (self._problem, *(view.problem for view in views))
        problem = next((one for one in problems if one is not None), "")
        if not views or not (problem or all(view.finished for view in views)):
            return None
        self._keys, self._problem = (), None
        return Prepared(problem, at)
