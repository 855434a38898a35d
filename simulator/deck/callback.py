"""Callback of every output: the samples that a device, a silent clock or a file gets next.

It takes a slice of a lane, applies the part's gain and fades, the monitoring, the gate around every change
and the monitor's gain, and always fills the whole block. Orders are frozen values, read once at the beginning
of a block and effective once the gate is closed, so that two items never play together. Conventions: blocks
float32 (frames, 2), filled in place; frames at the deck's rate; lanes by number; a place is (part, frame),
where the frames of the silence after a part count on from the part's end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.listening import Listen
from simulator.deck.shared_memory import (
    CALLBACKS,
    CLOCK,
    COUNTER,
    SERIAL,
    STARVED,
    UNDERFLOWS,
    WRITTEN,
    Cells,
    MappedLanes,
)
from simulator.dsp.fades import Gate, Level, fade_frames, rise

Block = NDArray[np.float32]


ENDLESS = 1 << 60
"""The end of a lane whose length is not known yet."""


@dataclass(frozen=True, slots=True)
class LaneStretch:
    """A stretch of a lane; `end` None is the lane's end."""

    lane: int
    first: int
    end: int | None
    gain: float = 1.0
    fade_in: bool = False
    fade_out: bool = False
    silence: int = 0

    def end_within(self, total: int | None) -> int:
        """The frame after the last, in a lane of `total` frames (None: not known yet)."""
        known = ENDLESS if total is None else total
        return max(self.first, known if self.end is None else min(self.end, known))


@dataclass(frozen=True, slots=True)
class Order:
    """A program and where to begin: at `frame` of part number `part`, over `ramp` frames (0: the usual
    fade) from the gain `ramp_from` (0: silence) up to its own; with `since`, that is where it stood when the
    clock said so."""

    serial: int
    parts: tuple[LaneStretch, ...]
    repeat: bool
    part: int
    frame: int
    ramp: int = 0
    ramp_from: float = 0.0
    since: int | None = None


@dataclass(frozen=True, slots=True)
class Leaving:
    """What happens to all that leaves: a gain reached over `ramp` frames, and what is listened to."""

    gain: float = 1.0
    listen: Listen = "stereo"
    ramp: int = 0


@dataclass(frozen=True, slots=True)
class Hold:
    """Pause, or go on."""

    paused: bool


Totals = Callable[[int], int | None]


def placed(order: Order, moved: int, total: Totals) -> tuple[int, int] | None:
    """The place `moved` frames after the order's own; None where the program has ended by then."""
    part, frame = order.part, order.frame
    if not order.parts:
        return None
    idle = 0
    while True:
        one = order.parts[part]
        left = one.end_within(total(one.lane)) + one.silence - frame
        if moved < left:
            return part, frame + moved
        idle = 0 if left > 0 else idle + 1
        moved -= max(left, 0)
        part += 1
        if part == len(order.parts):
            if not order.repeat:
                return None
            part = 0
        frame = order.parts[part].first
        if idle > len(order.parts):  # nothing in it lasts a single frame
            return None


def cut(samples: Block, part: LaneStretch, first: int, end: int, fade: int, block: Block) -> None:
    """Fills `block` from `first` on, with the part's gain and its edges of `fade` frames (or half the part,
    where it is shorter than two of them). `end` is the part's end in this lane; a gain of 1 keeps bits."""
    count = block.shape[0]
    source = samples[first : first + count]
    if part.gain == 1.0:
        block[:] = source
    else:
        np.multiply(source, np.float32(part.gain), out=block)
    edge = min(fade, (end - part.first) // 2) if end < ENDLESS else fade
    if part.fade_in and first < part.first + edge:
        curve = rise(edge)[first - part.first :][:count]
        block[: curve.shape[0]] *= curve
    if part.fade_out and first + count > end - edge:
        skip = max(end - edge - first, 0)
        curve = rise(edge)[::-1][first + skip - (end - edge) :][: count - skip]
        block[skip:] *= curve


def listen_to(block: Block, what: str, between: Block) -> None:
    """Mono or side signal in both channels; `between` is room for one channel. Stereo stays as it is."""
    if what == "stereo":
        return
    both = between[: block.shape[0]]
    join = np.add if what == "mono" else np.subtract
    join(block[:, 0], block[:, 1], out=both)
    both *= np.float32(0.5)
    block[:, 0] = both
    block[:, 1] = both


RESUME_SECONDS = 0.5
"""A lane that ran dry has to be this far ahead again before it goes on."""
LARGEST_BLOCK = 8192
UNCHANGED = Leaving()


class Callback:
    """The deck's whole state, driven block by block by `fill`."""

    def __init__(
        self, lanes: MappedLanes, cells: Cells, sample_rate: int, leaving: Leaving = UNCHANGED
    ) -> None:
        self._lanes, self._cells = lanes, cells
        self._fade = fade_frames(sample_rate)
        self._resume = round(RESUME_SECONDS * sample_rate)
        # what is asked; set from another thread
        self.asked: Order | None = None
        self.paused = False
        self.leaving = leaving
        # what is done
        self._order: Order | None = None
        self._parts: tuple[LaneStretch, ...] = ()
        self._part = self._frame = 0
        self._ended = self._starved = self._entering = False
        # a process that takes over from another counts on; that one may have died between two steps
        cells.states[COUNTER] += cells.states[COUNTER] % 2
        before = cells.states.tolist()
        self._clock, self._callbacks = before[CLOCK], before[CALLBACKS]
        self._starvations, self._underflows = before[STARVED], before[UNDERFLOWS]
        self._sounded = False
        self._gate = Gate(self._fade)
        self._swell = Level()
        self._level = Level(leaving.gain)
        self._left = self.leaving
        self._listen = self._ear = leaving.listen
        self._between = np.zeros((LARGEST_BLOCK,), np.float32)
        # what is asked, as read for this block
        self._next: Order | None = None
        self._hold = False

    def fill(self, out: Block, underflow: bool = False) -> None:
        """The next block (frames, 2), all of it."""
        self._next, self._hold = self.asked, self.paused
        left = self.leaving
        if left is not self._left:
            self._left, self._ear = left, left.listen
            self._level.move(left.gain, max(left.ramp, self._fade))
        done = 0
        while done < out.shape[0]:
            done += self._stretch(out[done:])
        self._level.apply(out)
        # the gap lay behind the block before this one: nothing is missing where that one was silent
        self._underflows += underflow and self._sounded
        self._sounded = not self._gate.closed and bool(out.any())
        self._callbacks += 1
        self._cells.add_to_ring(out)
        self._publish()

    def take(self, asked: Order | Leaving | Hold) -> None:
        """Takes an order, which counts from the next block on."""
        if isinstance(asked, Order):
            self.asked = asked
        elif isinstance(asked, Leaving):
            self.leaving = asked
        else:
            self.paused = asked.paused

    @property
    def silent(self) -> bool:
        """True while the gate is closed."""
        return self._gate.closed

    @property
    def sounding(self) -> frozenset[int]:
        """The lane that sounds, or fades out, now."""
        parts, part = self._parts, self._part
        return frozenset({parts[part].lane} if part < len(parts) else ())

    def place(self) -> tuple[Order, int, int] | None:
        """What the next block belongs to: the order, its part, the frame; None where nothing is to be played.
        A step that is asked for counts as done."""
        order = self.asked
        if order is None or not order.parts:
            return None
        if order is self._order:
            return None if self._ended else (order, self._part, self._frame)
        moved = 0 if order.since is None else self._clock - order.since
        found = placed(order, moved, self._total)
        return None if found is None else (order, *found)

    def lacks(self, frames: int) -> bool:
        """True where the next `frames` would meet a lane that is not made that far. For a sink that can
        wait."""
        at = self.place()
        if at is None or self.paused:
            return False
        order, part, frame = at
        ahead = Order(order.serial, order.parts, order.repeat, part, frame)
        for moved in (0, frames):
            found = placed(ahead, moved, self._total)
            if found is not None:
                _, ready, total = self._lanes.look(order.parts[found[0]].lane)
                if total is None and ready < found[1] + frames + self._resume + 2 * self._fade:
                    return True
        return False

    def _stretch(self, out: Block) -> int:
        """Fills a beginning of `out` in which nothing changes; how many frames that is (or 0: look again)."""
        if self._gate.closed:
            self._change()
            if not self._open():
                out[:] = 0.0
                return int(out.shape[0])
        closing = self._next is not self._order or self._hold or self._ear != self._listen or self._starved
        part = self._parts[self._part]
        samples, ready, total = self._lanes.look(part.lane)
        end = part.end_within(total)
        span = int(out.shape[0])
        if self._frame < end:
            reserve = 0 if total is not None or closing else self._fade  # enough to fade out on
            left = min(end, ready - reserve) - self._frame
            if left <= 0:
                self._starve(closing)
                return 0
            span = min(span, left)
        else:
            span = min(span, end + part.silence - self._frame)
            if span <= 0:  # the lane turned out to be shorter
                self._next_part(end + part.silence)
                return 0
        moving = self._gate.until_moved(closing)
        if moving is not None:
            span = min(span, moving)
        block = out[:span]
        if self._frame < end:
            cut(samples, part, self._frame, end, self._fade, block)
            listen_to(block, self._listen, self._between)
        else:
            block[:] = 0.0
        self._swell.apply(block)
        self._gate.pass_through(block, closing)
        self._clock += span
        self._frame += span
        self._next_part(end + part.silence)
        return span

    def _next_part(self, end: int) -> None:
        """Goes on to the next part where this one has ended."""
        passed = 0
        while self._frame >= end:
            self._part += 1
            passed += 1
            if self._part == len(self._parts):
                self._part = 0
                if self._order is None or not self._order.repeat or passed > len(self._parts):
                    self._finish()
                    return
            part = self._parts[self._part]
            self._frame = part.first
            end = part.end_within(self._total(part.lane)) + part.silence

    def _finish(self) -> None:
        """The program is over: its last frame has been given out whole."""
        self._part = len(self._parts) - 1
        part = self._parts[self._part]
        self._frame = part.end_within(self._total(part.lane))
        self._ended = True
        self._gate.close_at_once()

    def _starve(self, closing: bool) -> None:
        """The lane is not ready: a fade out on what is left, or, at a joint, silence."""
        if not self._starved:
            self._starved = True
            self._starvations += 1
        if closing:
            self._gate.close_at_once()

    def _change(self) -> None:
        """What waited for the gate to be closed."""
        self._listen = self._ear
        order = self._next
        if order is self._order or order is None:
            return
        place: tuple[int, int] | None = (order.part, order.frame)
        if order.since is not None:
            place = placed(order, self._clock - order.since, self._total)
        self._order, self._parts = order, order.parts
        self._ended = self._starved = False
        self._entering = True
        if place is None or not order.parts:
            self._part, self._frame = max(len(order.parts) - 1, 0), order.frame
            self._ended = True
            return
        self._part, self._frame = place

    def _open(self) -> bool:
        """Opens the gate where there is something to play; whether there is."""
        if self._hold or self._ended or not self._parts:
            return False
        part = self._parts[self._part]
        self._next_part(part.end_within(self._total(part.lane)) + part.silence)
        if self._ended:
            return False
        part = self._parts[self._part]
        _, ready, total = self._lanes.look(part.lane)
        end = part.end_within(total)
        if self._frame < end and total is None and ready < min(end, self._frame + self._resume) + self._fade:
            return False
        if total is not None and self._frame < end and ready < end:  # being made again
            return False
        self._starved = False
        ramp = self._order.ramp if self._order is not None and self._entering else 0
        self._entering = False
        if ramp:
            self._swell = Level(self._order.ramp_from if self._order is not None else 0.0)
            self._swell.move(1.0, ramp)
        from_silence = ramp and self._swell.gain == 0.0
        # a faded edge, or the file's own beginning, needs no second fade
        faded = self._frame == 0 or (part.fade_in and self._frame == part.first)
        if from_silence or faded or self._frame >= end:
            self._gate.open_at_once()
        return True

    def _total(self, lane: int) -> int | None:
        return self._lanes.look(lane)[2]

    def _publish(self) -> None:
        states = self._cells.states
        going = bool(self._parts) and not self._ended and not self._hold
        frame = self._frame
        if self._parts:
            part = self._parts[self._part]
            frame = min(frame, part.end_within(self._total(part.lane)))
        states[COUNTER] += 1
        states[SERIAL:WRITTEN] = (
            0 if self._order is None else self._order.serial,
            self._part,
            frame,
            self._clock,
            going,
            self._ended,
            going and self._gate.closed,
            self._starvations,
            self._underflows,
            self._callbacks,
        )
        states[COUNTER] += 1
