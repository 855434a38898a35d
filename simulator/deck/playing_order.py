"""Order to the callback: a program in whole numbers, and how a place moves through it.

Conventions: frames at the deck's rate; lanes by number; a place is (part, frame), where the frames of the
silence after a part count on from the part's end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simulator.common.listening import Listen

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
