"""Every policy against rows worked by hand: wanted gain and peak in, applied gain and its limit out.
Rules: "attenuate only", "up to the headroom" (ReplayGain's clipping prevention where the ceiling
always applies), "boosted and limited" (EBU R 128 s2), "boosted unprotected"."""

from __future__ import annotations

import pytest
from support.made_measurements import player

from simulator.normalizer.decision import applied_gain_db, limiter_in_path, limiter_will_act

# The ceiling is −1 dB in all rows: wanted, peak -> gain, limit.
BOOST_ONLY_HEADROOM = [
    (6.0, -10.0, 6.0, "nothing"),  # room 9
    (6.0, -7.0, 6.0, "nothing"),  # room 6, exactly enough
    (6.0, -3.0, 2.0, "headroom"),  # room 2
    (6.0, -1.0, 0.0, "headroom"),  # room 0
    (6.0, 2.0, 0.0, "headroom"),  # room −3: never turned down for a peak
    (0.0, 2.0, 0.0, "nothing"),
    (-6.0, 2.0, -6.0, "nothing"),  # still over the ceiling at −4: cut as wanted
    (-1.0, 2.0, -1.0, "nothing"),  # plays at +1 dBTP, over the ceiling: only boosts are looked at
    (6.0, None, 6.0, "nothing"),
]
ALWAYS_HEADROOM = [
    (6.0, -10.0, 6.0, "nothing"),
    (6.0, -3.0, 2.0, "headroom"),
    (6.0, -1.0, 0.0, "headroom"),
    (6.0, 2.0, -3.0, "ceiling"),
    (0.0, 2.0, -3.0, "ceiling"),
    (-1.0, 2.0, -3.0, "ceiling"),
    (-3.0, 2.0, -3.0, "nothing"),
    (-6.0, 2.0, -6.0, "nothing"),
    (-6.0, None, -6.0, "nothing"),
]
NEVER = [
    (6.0, -10.0, 0.0, "no_upward_gain"),
    (6.0, 2.0, 0.0, "no_upward_gain"),
    (0.0, 2.0, 0.0, "nothing"),
    (-6.0, 2.0, -6.0, "nothing"),
    (-1.0, -10.0, -1.0, "nothing"),
]
NEVER_ALWAYS = [
    (6.0, -10.0, 0.0, "no_upward_gain"),
    (6.0, 2.0, -3.0, "ceiling"),
    (-1.0, 2.0, -3.0, "ceiling"),
    (-6.0, 2.0, -6.0, "nothing"),
]
AS_WANTED = [
    (6.0, -10.0, 6.0, "nothing"),
    (6.0, 2.0, 6.0, "nothing"),
    (-6.0, 2.0, -6.0, "nothing"),
    (0.0, -3.0, 0.0, "nothing"),
]


@pytest.mark.parametrize(
    ("upward", "applies", "wanted_db", "peak_db", "gain_db", "limited_by"),
    [
        (upward, applies, *row)
        for upward, applies, rows in (
            ("headroom", "boost_only", BOOST_ONLY_HEADROOM),
            ("headroom", "always", ALWAYS_HEADROOM),
            ("never", "boost_only", NEVER),
            ("never", "always", NEVER_ALWAYS),
            ("limited", "boost_only", AS_WANTED),
            ("limited", "always", AS_WANTED),
            ("unprotected", "boost_only", AS_WANTED),
        )
        for row in rows
    ],
)
def test_each_policy_gives_the_gain_worked_by_hand(upward, applies, wanted_db, peak_db, gain_db, limited_by):
    profile = player(upward, applies=applies)
    assert applied_gain_db(profile, wanted_db, peak_db) == (pytest.approx(gain_db, abs=1e-9), limited_by)


@pytest.mark.parametrize(
    ("upward", "applies", "wanted_db", "peak_db", "gain_db", "limited_by"),
    [
        ("limited", "boost_only", 6.0, 0.0, 3.0, "max_boost"),
        ("limited", "boost_only", 3.0, 0.0, 3.0, "nothing"),
        ("unprotected", "boost_only", 6.0, 0.0, 3.0, "max_boost"),
        ("headroom", "boost_only", 6.0, -10.0, 3.0, "max_boost"),
        ("headroom", "boost_only", 6.0, -2.5, 1.5, "headroom"),
        ("never", "boost_only", 6.0, -10.0, 0.0, "no_upward_gain"),
        ("headroom", "boost_only", -9.0, 0.0, -8.0, "max_cut"),
        ("headroom", "boost_only", -8.0, 0.0, -8.0, "nothing"),
        # The peak guard comes after the largest cut: 12 dB down, to −1 dB.
        ("headroom", "always", -9.0, 11.0, -12.0, "ceiling"),
    ],
)
def test_the_largest_boost_and_cut_bound_the_wanted_gain(
    upward, applies, wanted_db, peak_db, gain_db, limited_by
):
    profile = player(upward, applies=applies, max_boost_db=3.0, max_cut_db=8.0)
    assert applied_gain_db(profile, wanted_db, peak_db) == (pytest.approx(gain_db, abs=1e-9), limited_by)


@pytest.mark.parametrize(
    ("upward", "applies", "gain_db", "peak_db", "in_path", "acts"),
    [
        ("limited", "boost_only", 6.0, -3.0, True, True),
        ("limited", "boost_only", 2.0, -3.0, True, False),  # reaches the ceiling exactly
        ("limited", "boost_only", 6.0, None, True, False),
        ("limited", "boost_only", 0.0, 2.0, False, False),
        ("limited", "boost_only", -1.0, 2.0, False, False),
        ("limited", "always", -1.0, 2.0, True, True),
        ("limited", "always", -3.0, 2.0, True, False),
        ("headroom", "boost_only", 6.0, -3.0, False, False),
        ("unprotected", "boost_only", 6.0, -3.0, False, False),
    ],
)
def test_the_limiter_is_in_the_path_for_boosts_or_always(upward, applies, gain_db, peak_db, in_path, acts):
    profile = player(upward, applies=applies)
    assert limiter_in_path(profile, gain_db) is in_path
    assert limiter_will_act(profile, gain_db, peak_db) is acts


def test_no_gain_is_ever_a_negative_zero():
    gain_db, _ = applied_gain_db(player("headroom"), -0.0, -3.0)
    assert str(gain_db) == "0.0"
