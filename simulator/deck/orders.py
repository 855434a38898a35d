"""From a program of lanes to an order in numbers, and from the callback's state to where the deck is."""

from __future__ import annotations

from simulator.common.errors import UsageError
from simulator.common.listening import Listen
from simulator.common.units import seconds_to_frames
from simulator.deck.callback import Hold, LaneStretch, Leaving, Order, placed
from simulator.deck.interface import DeckProgram, Now
from simulator.deck.lanes import LaneBook
from simulator.deck.shared_memory import Cells, State

BACK_SECONDS = 2.0
"""How slowly sound comes back on a device that was lost or changed: it may be louder than before."""


class Orders:
    """What was last asked of the callback, and its answer."""

    def __init__(self, book: LaneBook, cells: Cells, sample_rate: int) -> None:
        self.book, self.cells, self.sample_rate = book, cells, sample_rate
        self._serial = 0
        self.order: Order | None = None
        self.leaving = Leaving()
        self.paused = False

    def program(
        self,
        program: DeckProgram,
        segment: int,
        frame: int,
        ramp_s: float,
        ramp_from: float,
        since: int | None,
    ) -> Order:
        """The order for a program. Raises UsageError for one that has nothing in it, or no such segment."""
        if not 0 <= segment < len(program.segments):
            raise UsageError(f"The program has no part {segment + 1}.", "Choose another.")
        self._serial += 1
        parts = tuple(
            LaneStretch(
                self.book.number(segment.lane), segment.first_frame, segment.end_frame, segment.gain,
                segment.fade_in, segment.fade_out, segment.silence_frames,
            )
            for segment in program.segments
        )  # fmt: skip
        ramp = seconds_to_frames(ramp_s, self.sample_rate)
        self.order = Order(self._serial, parts, program.repeat, segment, frame, ramp, ramp_from, since)
        self.tend()
        return self.order

    def hold(self, paused: bool) -> Hold:
        """The order to pause, or to go on."""
        self.paused = paused
        return Hold(paused)

    def output(self, gain: float, listen: Listen, ramp_s: float) -> Leaving:
        """The order for all that leaves."""
        self.leaving = Leaving(gain, listen, seconds_to_frames(ramp_s, self.sample_rate))
        return self.leaving

    def again(self) -> Order | None:
        """The order for a restarted callback: the same program, at the place that was reached."""
        if self.order is None:
            return None
        self._serial += 1
        part, frame, _ = self._place(self.cells.read())
        ramp = seconds_to_frames(BACK_SECONDS, self.sample_rate)
        self.order = Order(self._serial, self.order.parts, self.order.repeat, part, frame, ramp)
        return self.order

    def tend(self) -> None:
        """Has the lanes at the place, after it and before it made, in this order."""
        if self.order is None:
            return
        part, _, _ = self._place(self.cells.read())
        parts = self.order.parts
        beside = (part, part + 1, part - 1) if self.order.repeat or part else (part, part + 1)
        near = [parts[index % len(parts)].lane for index in beside if self.order.repeat or index < len(parts)]
        self.book.playing(list(dict.fromkeys(near)))

    def now(self, alive: bool, why: str | None) -> Now:
        """Where it is; an order that has not been taken yet counts as taken. Keeps the lanes coming."""
        self.book.tend()
        self.tend()
        state = self.cells.read()
        order = self.order
        if order is None:
            return Now(dropouts=state.dropouts, alive=alive, why=why, clock=state.clock)
        part, frame, ended = self._place(state)
        going = not ended and not self.paused
        problem = self.book.problem(order.parts[part].lane)
        waiting = going and (state.waiting or state.serial != order.serial)
        return Now(
            part,
            frame,
            going,
            ended,
            waiting,
            state.dropouts,
            alive,
            why or problem if waiting else why,
            state.clock,
        )

    def _place(self, state: State) -> tuple[int, int, bool]:
        """Part, frame, and whether the program has ended."""
        order = self.order
        assert order is not None
        if state.serial == order.serial:
            return state.part, state.frame, state.ended
        moved = 0 if order.since is None else max(0, state.clock - order.since)
        found = placed(order, moved, self.cells.total)
        if found is None:
            return len(order.parts) - 1, order.frame, True
        part = order.parts[found[0]]
        return found[0], min(found[1], part.end_within(self.cells.total(part.lane))), False
