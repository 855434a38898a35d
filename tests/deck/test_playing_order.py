"""How a place moves through a program, and curves without steps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.deck.callback import LaneStretch, Order, placed
from simulator.dsp.fades import fade_frames, rise

PARTS = (LaneStretch(0, 10, 30, silence=5), LaneStretch(1, 0, None))


def length(lane: int) -> int | None:
    return {0: 100, 1: 40}[lane]


@pytest.mark.parametrize(
    ("repeat", "moved", "place"),
    [
        (False, 0, (0, 12)),
        (False, 17, (0, 29)),
        (False, 22, (0, 34)),  # in the silence after it
        (False, 23, (1, 0)),
        (False, 62, (1, 39)),
        (False, 63, None),
        (True, 63, (0, 10)),
        (True, 63 + 65 * 7 + 1, (0, 11)),
    ],
)
def test_a_place_moves_through_parts_silences_and_rounds(
    repeat: bool, moved: int, place: tuple[int, int] | None
) -> None:
    assert placed(Order(1, PARTS, repeat, 0, 12), moved, length) == place


def test_a_lane_of_unknown_length_goes_on() -> None:
    assert placed(Order(1, PARTS, False, 1, 0), 10**9, lambda _: None) == (1, 10**9)


def test_a_program_without_a_frame_has_no_place() -> None:
    assert placed(Order(1, (LaneStretch(0, 200, None),), True, 0, 200), 5, length) is None
    assert placed(Order(1, (), True, 0, 0), 5, length) is None


@given(st.integers(1, 3000))
def test_out_and_in_add_up_to_one_which_a_raised_cosine_does(frames: int) -> None:
    curve = rise(frames)[:, 0]
    assert np.abs(curve + curve[::-1] - 1.0).max() < 1e-6
    assert (np.diff(curve) >= 0.0).all()


def test_the_fade_is_5_ms() -> None:
    assert [fade_frames(rate) for rate in (44_100, 48_000, 96_000)] == [221, 240, 480]
