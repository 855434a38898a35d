"""Lanes of a blind trial and the level of its passage in each, held until it is over, so that no switch waits
for one.
"""

from __future__ import annotations

from collections.abc import Iterable

from simulator.common.units import seconds_to_frames
from simulator.deck.program import Deck, DeckSegment
from simulator.metering.gating import exact_lufs
from simulator.session.events import Prepared
from simulator.session.levels import LEAD_SECONDS, LONGEST_SECONDS


class Preparing:
    """What is being prepared; all calls belong to the deck's thread."""

    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._passages: tuple[DeckSegment, ...] = ()
        self._problem: str | None = None
        self._held = False

    @property
    def waits(self) -> bool:
        return bool(self._passages)

    def begin(self, passages: Iterable[DeckSegment]) -> None:
        """Has their lanes made before all others; what was asked for before is no longer waited for."""
        self._passages = tuple(passages)
        self._problem = self._deck.lanes.hold([one.lane for one in self._passages])
        self._held = True

    def end(self) -> None:
        """The trial is over, or was left: nothing is waited for, and the lanes may go."""
        if self._held:
            self._passages, self._problem, self._held = (), None, False
            self._deck.lanes.hold(())

    def look(self, at: str) -> Prepared | None:
        """The answer, once: all lanes are whole, or one cannot be made, or not all of them together."""
        views = [self._deck.lanes.look(one.lane) for one in self._passages]
        problems = (self._problem, *(view.problem for view in views))
        problem = next((one for one in problems if one is not None), "")
        if not views or not (problem or all(view.finished for view in views)):
            return None
        levels = () if problem else self._levels()
        self._passages, self._problem = (), None
        return Prepared(problem, at, levels)

    def _levels(self) -> tuple[float, ...]:
        """How loud each passage is, where all can be told."""
        found = [self._level(one) for one in self._passages]
        levels = tuple(one for one in found if one is not None)
        return levels if len(levels) == len(found) else ()

    def _level(self, passage: DeckSegment) -> float | None:
        rate, first, end = self._deck.sample_rate, passage.first_frame, passage.end_frame
        if end is None or end - first > LONGEST_SECONDS * rate:
            return None
        from_frame = max(first - seconds_to_frames(LEAD_SECONDS, rate), 0)
        return exact_lufs(self._deck.lanes.read(passage.lane, from_frame, end), first - from_frame, rate)
