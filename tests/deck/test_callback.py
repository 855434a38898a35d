"""The deck's callback, driven by hand: the samples that leave it, for any block size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.deck_lanes import FADE, RATE, Audio, Hand, HeldLanes, noise, order

from simulator.deck import shared_memory
from simulator.deck.callback import Callback, LaneStretch, Leaving
from simulator.metering.passage import with_edges

SIZES = st.lists(st.integers(1, 700), min_size=1, max_size=5)
A, B = noise(6_000, 1), noise(6_000, 2)
MANY = settings(max_examples=25, deadline=None)


def rise(length: int = FADE) -> Audio:
    """The raised cosine, written down again for the test: BS.1534-3, 5.3."""
    place = (np.arange(length) + 0.5) / length
    return (0.5 * (1.0 - np.cos(np.pi * place))).astype(np.float32)[:, np.newaxis]


def hand() -> Hand:
    return Hand(HeldLanes({1: A, 2: B}))


@MANY
@given(sizes=SIZES, gain=st.sampled_from([1.0, 0.37, 1.4]))
def test_a_track_from_its_beginning_is_its_samples_and_then_silence(sizes: list[int], gain: float) -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None, gain))
    out = played.run(7_000, sizes)
    assert np.array_equal(out[:6_000], A * np.float32(gain))
    assert not out[6_000:].any()
    state = played.cells.read()
    assert (state.ended, state.frame, state.clock, state.playing) == (True, 6_000, 6_000, False)


@MANY
@given(sizes=SIZES, first=st.integers(1, 5_000))
def test_from_the_middle_it_fades_in_over_5_ms(sizes: list[int], first: int) -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None), frame=first)
    out = played.run(900, sizes)
    wanted = A[first : first + 900].copy()
    wanted[:FADE] *= rise()
    assert np.array_equal(out, wanted)


@MANY
@given(sizes=SIZES, before=st.integers(1, 3_000), moved=st.integers(-500, 2_000))
def test_a_switch_goes_on_at_the_same_moment_and_never_sounds_two_at_once(
    sizes: list[int], before: int, moved: int
) -> None:
    """The new one's place was worked out at clock 0; however late the switch comes, it fits to the sample."""
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None), frame=600)
    first = played.run(before, sizes)
    place = played.cells.read().frame
    played.callback.asked = order(LaneStretch(2, 0, None), frame=600 + moved, since=0)
    out = played.run(700, sizes)
    assert place == 600 + before
    level = min(before, FADE)  # the fade in may still be under way: it turns round
    old = A[place : place + level] * rise()[:level][::-1]
    assert np.array_equal(out[:level], old)
    at = place + level + moved
    new = B[at : at + 700 - level].copy()
    new[:FADE] *= rise()
    assert np.array_equal(out[level : level + new.shape[0]], new)
    assert first.shape[0] == before


@MANY
@given(sizes=SIZES, length=st.integers(RATE // 2, 5_000), rounds=st.integers(1, 3))
def test_a_loop_is_the_cut_passage_over_and_over(sizes: list[int], length: int, rounds: int) -> None:
    played = hand()
    part = LaneStretch(1, 500, 500 + length, fade_in=True, fade_out=True, silence=80)
    played.callback.asked = order(part, repeat=True)
    out = played.run(rounds * (length + 80) + 10, sizes)
    cut = np.concatenate([with_edges(A[500 : 500 + length], RATE), np.zeros((80, 2), np.float32)])
    wanted = np.concatenate([np.tile(cut, (rounds, 1)), cut[:10]])
    assert np.abs(out - wanted).max() <= 2e-9  # the same edges, one float32 rounding apart
    assert not played.cells.read().ended


@MANY
@given(sizes=SIZES)
def test_unfaded_neighbours_join_sample_by_sample_with_their_gains(sizes: list[int]) -> None:
    played = hand()
    played.callback.asked = order(
        LaneStretch(1, 0, None, 0.5), LaneStretch(2, 0, None, 0.5), LaneStretch(1, 100, 200, 0.5)
    )
    out = played.run(12_200, sizes)
    assert np.array_equal(out[:12_100], np.concatenate([A, B, A[100:200]]) * np.float32(0.5))
    assert not out[12_100:].any()


@MANY
@given(sizes=SIZES, after=st.integers(100, 2_000), still=st.integers(FADE, 1_000))
def test_a_pause_is_silent_and_goes_on_where_it_became_so(sizes: list[int], after: int, still: int) -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None))
    played.run(after, sizes)
    played.callback.paused = True
    out = played.run(still, sizes)
    assert np.array_equal(out[:FADE], A[after : after + FADE] * rise()[::-1])
    assert not out[FADE:].any()
    played.callback.paused = False
    out = played.run(300, sizes)
    wanted = A[after + FADE : after + FADE + 300].copy()
    wanted[:FADE] *= rise()
    assert np.array_equal(out, wanted)
    assert played.cells.read().clock == after + FADE + 300  # the pause does not count


@MANY
@given(sizes=SIZES)
def test_a_lane_that_runs_dry_fades_is_counted_and_loses_nothing(sizes: list[int]) -> None:
    played = hand()
    played.lanes.ready[1] = 4_500
    played.callback.asked = order(LaneStretch(1, 0, None))
    out = played.run(5_500, sizes)
    assert np.array_equal(out[: 4_500 - FADE], A[: 4_500 - FADE])
    assert np.array_equal(out[4_500 - FADE : 4_500], A[4_500 - FADE : 4_500] * rise()[::-1])
    assert not out[4_500:].any()
    state = played.cells.read()
    assert (state.dropouts, state.waiting, state.playing, state.frame) == (1, True, True, 4_500)
    played.lanes.ready[1] = 6_000
    out = played.run(1_500, sizes)
    wanted = A[4_500:].copy()
    wanted[:FADE] *= rise()
    assert np.array_equal(out, wanted)
    assert played.cells.read().dropouts == 1


def late(played: Hand) -> int:
    """One block of 64 frames that came too late; how many dropouts are counted by then."""
    played.callback.fill(np.zeros((64, 2), np.float32), underflow=True)
    return played.cells.read().dropouts


def test_a_late_block_is_a_dropout_only_where_something_sounded() -> None:
    played = hand()
    assert late(played) == 0  # nothing was ever asked for
    played.callback.asked = order(LaneStretch(1, 0, None))
    played.run(256)
    assert late(played) == 1
    played.callback.paused = True
    played.run(256)
    assert late(played) == 1
    played.callback.paused = False
    assert late(played) == 1  # the gap lies in the pause
    assert late(played) == 2
    played.callback.leaving = Leaving(0.0)
    played.run(256)
    assert late(played) == 2  # muted
    played.callback.leaving = Leaving(1.0)
    played.run(6_000)
    assert played.cells.read().ended
    assert late(played) == 2


def test_a_callback_that_follows_one_killed_while_it_wrote_can_be_read() -> None:
    played = hand()
    played.cells.states[shared_memory.COUNTER] += 1
    after = Callback(played.lanes, played.cells, RATE)
    after.fill(np.zeros((64, 2), np.float32))
    assert played.cells.states[shared_memory.COUNTER] % 2 == 0


def test_a_lane_that_is_not_made_yet_is_waited_for_and_that_is_no_dropout() -> None:
    played = hand()
    played.lanes.ready[1] = 0
    played.callback.asked = order(LaneStretch(1, 0, None), frame=1_000)
    assert not played.run(2_000).any()
    assert played.callback.lacks(64)
    state = played.cells.read()
    assert (state.waiting, state.dropouts, state.frame, state.clock) == (True, 0, 1_000, 0)
    played.lanes.ready[1] = 1_000 + RATE // 2 + FADE
    assert np.array_equal(played.run(500)[FADE:], A[1_000 + FADE : 1_500])


def test_a_lane_that_turns_out_shorter_ends_there_and_the_next_begins() -> None:
    lanes = HeldLanes({1: A[:2_000], 2: B})
    played = Hand(lanes)
    played.callback.asked = order(LaneStretch(1, 0, 9_000), LaneStretch(2, 5_900, None), frame=0)
    out = played.run(2_200)
    assert np.array_equal(out[:2_100], np.concatenate([A[:2_000], B[5_900:]]))
    played.callback.asked = order(LaneStretch(1, 0, None), frame=7_777)
    assert not played.run(300).any()
    assert played.cells.read().ended


def test_a_program_of_nothing_ends_at_once_even_if_it_repeats() -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 6_000, None), LaneStretch(2, 7_000, None), repeat=True)
    assert not played.run(300).any()
    assert played.cells.read().ended


@MANY
@given(sizes=SIZES)
def test_the_monitor_s_gain_moves_along_a_raised_cosine(sizes: list[int]) -> None:
    played = Hand(HeldLanes({1: np.ones((6_000, 2), np.float32)}))
    played.callback.asked = order(LaneStretch(1, 0, None))
    played.run(100)
    played.callback.leaving = Leaving(0.25, "stereo", 1_600)
    out = played.run(2_000, sizes)
    wanted = 1.0 + (0.25 - 1.0) * (0.5 - 0.5 * np.cos(np.pi * (np.arange(1_600) + 0.5) / 1_600))
    assert np.abs(out[:1_600, 0] - wanted).max() < 1e-6
    assert (out[1_600:] == 0.25).all()


@MANY
@given(sizes=SIZES)
def test_a_ramp_brings_the_new_one_in_slowly(sizes: list[int]) -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None), frame=300, ramp=2_000)
    out = played.run(2_500, sizes)
    wanted = A[300:2_800].copy()
    wanted[:2_000] *= rise(2_000)
    assert np.abs(out - wanted).max() < 1e-7


@pytest.mark.parametrize(("listen", "sign"), [("mono", 1.0), ("difference", -1.0)])
def test_mono_and_difference_are_half_the_sum_and_half_the_difference_in_both(
    listen: str, sign: float
) -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None))
    played.run(100)
    played.callback.leaving = Leaving(1.0, listen)
    out = played.run(1_000)
    assert np.array_equal(out[:FADE], A[100 : 100 + FADE] * rise()[::-1])  # no switch without the fades
    half = (0.5 * (A[:, 0] + sign * A[:, 1]))[100 + 2 * FADE : 1_100]
    assert np.abs(out[2 * FADE :, 0] - half).max() < 1e-8
    assert np.array_equal(out[:, 0][2 * FADE :], out[:, 1][2 * FADE :])


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["one", "two", "loop", "pause", "resume", "quiet", "full", "mono", "stereo", "dry"]),
        st.integers(1, 400),
    ),
    min_size=3,
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(acts=ACTS, sizes=SIZES)
def test_whatever_is_asked_whenever_nothing_steps_and_nothing_mixes(
    acts: list[tuple[str, int]], sizes: list[int]
) -> None:
    """Lane 1 is 1 on the left, lane 2 is 1 on the right: a step is steeper than the fades can be, and two at
    once would show in both channels (while stereo)."""
    left, right = np.zeros((90_000, 2), np.float32), np.zeros((90_000, 2), np.float32)
    left[:, 0] = right[:, 1] = 1.0
    played = Hand(HeldLanes({1: left, 2: right}))
    played.lanes.ready[1] = played.lanes.ready[2] = 89_000
    callback = played.callback
    mono = False
    for act, frames in acts:
        if act == "one":
            callback.asked = order(LaneStretch(1, 0, None), frame=20_000)
        elif act == "two":
            callback.asked = order(LaneStretch(2, 0, None), frame=20_000, since=0)
        elif act == "loop":
            callback.asked = order(LaneStretch(2, 5_000, 9_000, fade_in=True, fade_out=True), repeat=True)
        elif act in ("pause", "resume"):
            callback.paused = act == "pause"
        elif act in ("quiet", "full"):
            callback.leaving = Leaving(0.1 if act == "quiet" else 1.0, callback.leaving.listen)
        elif act == "dry":
            place = played.cells.read().frame
            played.lanes.ready[1] = played.lanes.ready[2] = max(place + 60, 21_000)
        else:
            mono = mono or act == "mono"
            callback.leaving = Leaving(callback.leaving.gain, act)
        played.run(frames, sizes)
    out = played.played
    assert np.isfinite(out).all()
    # the gate and the monitor's gain may move at once, and a part's edge
    assert np.abs(np.diff(out, axis=0)).max() <= 3.0 * np.pi / 2.0 / FADE
    if not mono:
        assert not (out[:, 0] * out[:, 1]).any()


def test_the_ring_holds_what_left() -> None:
    played = hand()
    played.callback.asked = order(LaneStretch(1, 0, None), repeat=True)
    for _ in range(9):
        played.run(7_001, [700, 33])
    out = played.played
    assert np.array_equal(played.cells.recent(RATE), out[-RATE:])
    assert played.cells.recent(100 * RATE).shape == (4 * RATE, 2)
