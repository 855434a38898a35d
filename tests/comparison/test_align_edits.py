"""Edited versions: what was taken out, put in or replaced is named; only what belongs together is compared.

The edits are made here, so their places are known to the frame.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from support.in_memory import align
from support.made_versions import RATE, Version, peaking, song
from support.real_music import SONGS

from simulator.comparison.align import align_and_move, lay_over
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference, difference_blocks, measure_difference
from simulator.comparison.versions import choose, extremes
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array
from simulator.metering.meter import measure_array
from simulator.storage.measurement_cache import unpack_pair

LIMITER = LimiterSettings(ceiling_db=-1.0, detection="sample", look_ahead_ms=2.0, release_ms=80.0)
BAR = 2 * RATE


@pytest.fixture(scope="module")
def made() -> Version:
    return song(14.0)


@pytest.fixture(scope="module")
def cut(made: Version) -> Version:
    """From 6.0 s on 2.0 s are missing; softer."""
    return np.float32(0.5) * np.concatenate([made[: 3 * BAR], made[4 * BAR :]])


def test_a_bar_that_is_missing_is_named_and_the_rest_compared(made: Version, cut: Version) -> None:
    aligned = align_and_move(made, RATE, cut, RATE)
    found = aligned.alignment
    assert found.kind == "aligned"
    assert found.fits
    assert "2.0 s are missing at 0:06.0" in found.reason
    assert [(piece.first_start_s, piece.first_end_s, piece.offset_s) for piece in found.pieces] == [
        (0.0, 6.0, 0.0),
        (8.0, 14.0, -2.0),
    ]
    assert [found.second_time_s(at) for at in (5.0, 7.0, 9.0)] == [5.0, 6.0, 7.0]
    matched = measure_difference(made, aligned)
    assert matched.difference.match_gain_db == pytest.approx(6.02, abs=0.01)
    assert matched.difference.residual_lu is None or matched.difference.residual_lu < -110.0
    assert matched.difference.common_seconds == pytest.approx(12.0)
    left = np.concatenate(list(difference_blocks(matched)))
    assert left.shape == made.shape
    assert np.abs(left).max() < 1e-6  # also where the bar is missing
    assert unpack_pair(msgspec.msgpack.encode(found), Alignment) == found
    assert unpack_pair(msgspec.msgpack.encode(matched.difference), Difference) == matched.difference
    again = lay_over(cut, 2, found)
    assert (again.place, again.parts) == (aligned.place, aligned.parts)
    assert np.array_equal(again.moved, aligned.moved)


def test_moments_are_the_same_music_on_both_sides_of_a_cut(made: Version, cut: Version) -> None:
    found = align(made, RATE, cut, RATE)
    loud, open_ = (measure_array(one, RATE).series.energy for one in (cut, made))
    passages = choose(loud, open_, found)
    assert passages.shared
    for window in (passages.loudest, passages.quietest):
        assert window.open_s is not None
        assert window.loud_s is not None
        assert window.open_s + 3.0 <= 6.0 or window.open_s >= 8.0
        assert window.loud_s == pytest.approx(window.open_s - (2.0 if window.open_s >= 8.0 else 0.0))
    most_least = extremes(loud, open_, open_, found)
    for one in most_least:  # −6.02 dB everywhere
        assert one.difference_lu == pytest.approx(-6.02, abs=0.01)


def test_a_bar_that_was_put_in_is_named(made: Version) -> None:
    longer = np.concatenate([made[: 3 * BAR], song(2.0, seed=7), made[3 * BAR :]])
    found = align(made, RATE, longer, RATE)
    assert "2.0 s are inserted at 0:06.0" in found.reason
    assert [round(piece.offset_s, 6) for piece in found.pieces] == [0.0, 2.0]


def test_a_replaced_passage_is_named(made: Version) -> None:
    other = made.copy()
    other[2 * BAR : 3 * BAR] = song(2.0, seed=7)
    found = align(made, RATE, other, RATE)
    (edit,) = found.edits
    assert edit.first_at_s == pytest.approx(4.0, abs=0.5)
    assert edit.first_seconds == edit.second_seconds == pytest.approx(2.0, abs=0.8)
    assert "have no counterpart there" in found.reason


def test_a_repeated_bar_is_no_edit() -> None:
    bar = song(3.0, seed=5)
    looped = np.concatenate([bar] * 4)
    found = align(looped, RATE, looped[: 9 * RATE], RATE)
    assert found.kind == "ambiguous"
    assert found.pieces == ()


@pytest.mark.heavy
def test_without_a_map_what_does_not_fit_is_not_compared(made: Version) -> None:
    """Every second is from elsewhere in turn: too much for a map, and no moment is claimed."""
    patched = made.copy()
    for number in range(1, 14, 2):
        patched[number * RATE : (number + 1) * RATE] = song(1.0, seed=50 + number)
    found = align(made, RATE, patched, RATE)
    if found.has_place:
        assert found.agreeing_share is not None
        assert found.agreeing_share < 0.9
        assert found.pieces or not found.fits


@pytest.mark.parametrize("polarity", [1, pytest.param(-1, marks=pytest.mark.heavy)])
def test_swapped_channels_are_recognised_and_put_right(made: Version, polarity: int) -> None:
    middle = made[:, :1]
    wide = np.concatenate([middle + 0.4 * made[:, 1:], middle - 0.4 * made[:, 1:]], axis=1)
    aligned = align_and_move(wide, RATE, np.float32(polarity) * wide[500:, ::-1], RATE)
    found = aligned.alignment
    assert found.channels_swapped
    assert "Left and right are swapped" in found.reason
    assert (found.offset_frames, found.polarity) == (-500.0, polarity)
    residual = measure_difference(wide, aligned).difference.residual_lu
    assert residual is None or residual < -110.0
    again = lay_over(np.float32(polarity) * wide[500:, ::-1], 2, found)
    assert np.array_equal(again.moved, aligned.moved)


@pytest.mark.heavy
def test_swapped_channels_without_anything_in_the_middle_are_recognised(made: Version) -> None:
    assert align(made, RATE, made[:, ::-1], RATE).channels_swapped  # two independent noises


def test_what_is_not_swapped_is_not_called_so(made: Version) -> None:
    made = made[: 4 * RATE]
    mono = np.repeat(made[:, :1], 2, axis=1)
    one_turned = made * np.array([1.0, -1.0], np.float32)
    for first, second in ((made, made), (made, peaking(made, 3000.0, 6.0)), (mono, mono), (made, one_turned)):
        assert not align(first, RATE, second, RATE).channels_swapped


@lru_cache(maxsize=4)
def excerpt(path: Path) -> Version:
    return np.ascontiguousarray(soundfile.read(path, dtype="float32")[0][60 * RATE : 78 * RATE])


@pytest.mark.external
@pytest.mark.heavy
@pytest.mark.parametrize("name", SONGS)
@pytest.mark.parametrize("limited", [False, True])
def test_a_bar_cut_from_real_music_is_found_to_the_frame(
    music_files: dict[str, Path], name: str, limited: bool
) -> None:
    music = excerpt(music_files[f"{name}-song"])
    loud = limit_array(music * np.float32(4.0), RATE, LIMITER)[0] if limited else music
    found = align(music, RATE, np.concatenate([loud[: 9 * RATE], loud[11 * RATE :]]), RATE)
    assert "2.0 s are missing at 0:09.0" in found.reason
    assert [round(piece.offset_s * RATE) for piece in found.pieces] == [0, -2 * RATE]
    assert found.pieces[0].first_end_s == pytest.approx(9.0, abs=0.01)
    assert align(music, RATE, loud, RATE).edits == ()
