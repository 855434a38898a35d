"""A rise that the session asks for is one that leaves the deck: the real callback, driven by hand."""

from __future__ import annotations

import numpy as np
import pytest
from support.deck_lanes import RATE, Hand, HeldLanes, order
from support.made_session import Desk

from simulator.common.units import db_to_gain
from simulator.deck.callback import LaneStretch, Leaving
from simulator.dsp.fades import FADE_SECONDS
from simulator.session.acts.level_guard import EAR_RAMP_S, RAMP_S
from simulator.session.events import Effect, Output, Pause, Resume, Sound

RIGHT = 0.9
"""Left 0.5, right 0.45: their difference is 26 dB below the left channel."""
OPEN, LOUD = 1.0, 1.85
"""The second version's verse is 5.3 dB louder."""


def carried_out(hand: Hand, effects: tuple[Effect, ...]) -> None:
    """As a desk does it: all of a step's effects before the next block. Programs: one steady lane, whose part
    has the gain of the segment that the session is at."""
    for one in effects:
        if isinstance(one, Sound):
            source = one.program.segments[one.segment].source
            gain = db_to_gain(source.gain_db) * (OPEN if source.track == 0 else LOUD * db_to_gain(5.7))
            start = 0.0 if one.ramp_from_db is None else db_to_gain(one.ramp_from_db)
            ramp = round(one.ramp_s * RATE)
            part = LaneStretch(1, 0, None, gain)
            hand.callback.asked = order(part, frame=RATE, ramp=ramp, ramp_from=start)
        elif isinstance(one, Output):
            gain = 0.0 if one.mute else db_to_gain(one.trim_db)
            hand.callback.leaving = Leaving(gain, one.listen, round(one.ramp_s * RATE))
        elif isinstance(one, Pause | Resume):
            hand.callback.paused = isinstance(one, Pause)


def played(lines: list[str]) -> np.ndarray:
    """What leaves for the 3 s after the last line: the louder channel."""
    lane = np.full((RATE * 20, 2), 0.5, np.float32)
    lane[:, 1] *= np.float32(RIGHT)
    hand, desk = Hand(HeldLanes({1: lane})), Desk()
    carried_out(hand, desk.effects)
    for line in lines:
        desk.do(line)
        carried_out(hand, desk.effects)
        out = hand.run(3 * RATE, [64])
    return np.abs(out).max(axis=1)


@pytest.mark.parametrize("lines", [["play", "swap"], ["play", "pause", "swap", "pause"]])
def test_a_louder_version_begins_at_the_level_heard_last_and_is_there_after_0_4_s(lines: list[str]) -> None:
    out = played(lines)
    before, after = played(["play"])[-1], out[-1]
    assert after == pytest.approx(before * LOUD, rel=0.03)
    fades = round(2 * FADE_SECONDS * RATE) + 64
    # the first moment after the fades: where the last level was, not silence, and not yet the new level
    assert out[fades] == pytest.approx(before, rel=0.08)
    assert out[fades:].min() > 0.9 * before
    assert np.all(np.diff(out[fades:]) >= -1e-6)
    assert out[round(RAMP_S * RATE) + fades] == pytest.approx(after, rel=1e-3)
    # the steepest step is that of a 5 ms fade: no click
    assert np.abs(np.diff(out)).max() <= 1.6 * after / (FADE_SECONDS * RATE)


def test_from_side_to_stereo_it_comes_from_silence() -> None:
    out = played(["play", "hear side", "hear stereo"])
    assert out[: RATE // 10].max() < out[-1] * db_to_gain(-3.0)
    assert out[round((EAR_RAMP_S + 0.05) * RATE)] == pytest.approx(out[-1], rel=1e-3)
