"""The alignment as a value: its time arithmetic and its plain form."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from simulator.comparison.alignment import Alignment, BandDelay, OffsetCandidate

FOUND = Alignment(
    kind="aligned",
    first_rate=44_100,
    second_rate=48_000,
    first_frames=441_000,
    second_frames=480_000,
    offset_frames=96_000.0,
    polarity=1,
    gain_db=-3.0,
    drift_ppm=100.0,
    snapped=True,
    null_db=None,
    similarity=0.9,
    second_best=None,
    confidence=0.99,
    candidates=(OffsetCandidate(96_000.0, 2.0, 1, 0.9),),
    delay_by_band=(BandDelay("below 150 Hz", 0.0, 150.0, None),),
    reason="",
)


def test_the_offset_in_seconds_is_of_the_second_versions_rate() -> None:
    assert FOUND.offset_s == 2.0


def test_a_moment_of_the_first_is_found_in_the_second_with_its_drift() -> None:
    assert FOUND.second_time_s(0.0) == 2.0
    assert FOUND.second_time_s(10.0) == pytest.approx(12.001, abs=1e-12)


@pytest.mark.parametrize(
    ("offset", "drift", "start", "end"),
    [
        (96_000.0, 0.0, 0.0, 8.0),  # the second has two seconds more at its head
        (-96_000.0, 0.0, 2.0, 10.0),  # the first has
        (0.0, 0.0, 0.0, 10.0),
        (0.0, 1000.0, 0.0, 10.0 / 1.001),  # the second runs slower: its end comes earlier
    ],
)
def test_the_common_part_is_what_both_hold(offset: float, drift: float, start: float, end: float) -> None:
    common = replace(FOUND, offset_frames=offset, drift_ppm=drift).common_s()
    assert common == pytest.approx((start, end), abs=1e-12)


def test_versions_without_a_place_have_no_times() -> None:
    none = replace(FOUND, kind="different", offset_frames=None)
    assert not none.has_place
    assert (none.offset_s, none.second_time_s(1.0), none.common_s()) == (None, None, None)


def test_the_plain_form_goes_through_json_whole() -> None:
    plain = json.loads(json.dumps(FOUND.as_json(), allow_nan=False))
    assert plain["candidates"] == [
        {"offset_frames": 96_000.0, "offset_s": 2.0, "polarity": 1, "similarity": 0.9}
    ]
    assert plain["offset_s"] == 2.0
    assert plain["null_db"] is None
    assert plain["common_end_s"] == pytest.approx(8.0 / 1.0001, abs=1e-12)
