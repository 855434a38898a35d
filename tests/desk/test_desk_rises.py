"""A rise that the session asks for is one that leaves the deck: the real callback, driven by hand."""

from __future__ import annotations

import numpy as np
import pytest
from support.deck_lanes import RATE, Hand, HeldLanes, order
from support.made_session import Desk

from simulator.common.units import db_to_gain
from simulator.deck.playing_order import LaneStretch, Leaving
from simulator.session.effects import Effect, Output, Pause, Resume, Sound

RIGHT = 0.9
"""Left 0.5, right 0.45: their difference is 26 dB below the left channel."""


def carried_out(hand: Hand, effects: tuple[Effect, ...]) -> None:
    """As a desk does it: all of a step's effects before the next block. Programs: one steady lane, whose part
    has the gain of the segment that the session is at."""
    for one in effects:
        if isinstance(one, Sound):
            gain = db_to_gain(one.program.segments[one.segment].source.gain_db)
            gain *= 1.0 if one.program.segments[one.segment].source.track == 0 else 1.85  # + 5.3 dB
            ramp = round(one.ramp_s * RATE)
            hand.callback.asked = order(LaneStretch(1, 0, None, gain), frame=RATE, ramp=ramp)
        elif isinstance(one, Output):
            gain = 0.0 if one.mute else db_to_gain(one.trim_db)
            hand.callback.leaving = Leaving(gain, one.listen, round(one.ramp_s * RATE))
        elif isinstance(one, Pause | Resume):
            hand.callback.paused = isinstance(one, Pause)


@pytest.mark.parametrize(
    "lines", [["play", "pause", "swap", "pause"], ["play", "hear side", "hear stereo"]]
)
def test_what_may_rise_is_below_the_end_by_more_than_3_db_after_a_tenth_of_a_second(lines: list[str]) -> None:
    lane = np.full((RATE * 20, 2), 0.5, np.float32)
    lane[:, 1] *= np.float32(RIGHT)
    hand, desk = Hand(HeldLanes({1: lane})), Desk()
    carried_out(hand, desk.effects)
    for line in lines:
        desk.do(line)
        carried_out(hand, desk.effects)
        out = hand.run(3 * RATE, [64])
    early, late = float(np.abs(out[: RATE // 10]).max()), float(np.abs(out[-100:]).max())
    assert late > 0.01
    assert early < late * db_to_gain(-3.0)
