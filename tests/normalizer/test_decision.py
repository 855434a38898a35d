"""Decisions for tracks and albums: numbers worked by hand, the published album example, and the identity
"a track reaches target T under ceiling c without limiting exactly when PLR <= c − T"."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from msgspec import structs
from support.made_measurements import made, on_album, player

from simulator.metering.loudness_tags import LoudnessTags, TagScheme
from simulator.normalizer.decision import decide, decide_all
from simulator.normalizer.profile import Conditional

R128_S2 = Conditional(peak_to_loudness_below_db=15.0, target_lufs=-16.0)


@pytest.mark.parametrize(
    ("upward", "loudness_lufs", "peak_db", "wanted_db", "gain_db", "limited_by", "acts"),
    [
        ("headroom", -8.0, 0.5, -6.0, -6.0, "nothing", False),
        ("headroom", -20.0, -3.0, 6.0, 2.0, "headroom", False),
        ("headroom", -20.0, -9.0, 6.0, 6.0, "nothing", False),
        ("limited", -20.0, -3.0, 6.0, 6.0, "nothing", True),
        ("limited", -20.0, -9.0, 6.0, 6.0, "nothing", False),
        ("limited", -8.0, 0.5, -6.0, -6.0, "nothing", False),
        ("never", -20.0, -9.0, 6.0, 0.0, "no_upward_gain", False),
        ("unprotected", -20.0, -3.0, 6.0, 6.0, "nothing", False),
    ],
)
def test_a_track_gets_the_gain_worked_by_hand(
    upward, loudness_lufs, peak_db, wanted_db, gain_db, limited_by, acts
):
    decision = decide(player(upward), made(loudness_lufs, peak_db))
    assert decision.wanted_gain_db == pytest.approx(wanted_db, abs=1e-9)
    assert decision.gain_db == pytest.approx(gain_db, abs=1e-9)
    assert (decision.limited_by, decision.limiter_will_act) == (limited_by, acts)
    assert decision.target_lufs == -14.0
    assert decision.counted_lufs == pytest.approx(loudness_lufs, abs=1e-9)


@pytest.mark.parametrize(
    ("loudness_lufs", "peak_db", "target_lufs", "gain_db"),
    [
        (-10.0, 0.0, -16.0, -6.0),  # ratio 10
        (-15.5, -1.0, -16.0, -0.5),  # ratio 14.5
        (-16.0, -1.0, -20.0, -4.0),  # ratio exactly 15: not below the limit
        (-22.0, -1.0, -20.0, 2.0),  # ratio 21
    ],
)
def test_dense_music_has_another_target_by_r128_s2(loudness_lufs, peak_db, target_lufs, gain_db):
    profile = player("limited", target_lufs=-20.0, conditional=R128_S2)
    # The made series read 1e-14 off a whole number of dB, which would decide the row at the limit itself.
    decision = decide(profile, replace(made(loudness_lufs, peak_db), integrated_lufs=loudness_lufs))
    assert decision.target_lufs == target_lufs
    assert decision.gain_db == pytest.approx(gain_db, abs=1e-9)
    assert f"so the target is −{-target_lufs} LUFS" in decision.reason


def test_a_player_without_a_target_changes_nothing():
    for measurement in (made(-8.0, 1.0), made(None, None)):
        decision = decide(player("never", target_lufs=None), measurement)
        assert (decision.gain_db, decision.wanted_gain_db, decision.limited_by) == (0.0, None, "no_target")
        assert (decision.target_lufs, decision.counted_lufs, decision.limiter_in_path) == (None, None, False)


@pytest.mark.parametrize(
    ("fallback_db", "upward", "applies", "peak_db", "gain_db"),
    [
        (0.0, "headroom", "boost_only", -3.0, 0.0),
        (-6.0, "headroom", "boost_only", -3.0, -6.0),
        (6.0, "headroom", "boost_only", -3.0, 2.0),
        (6.0, "never", "boost_only", -3.0, 0.0),
        (0.0, "headroom", "always", 2.0, -3.0),
        (6.0, "limited", "boost_only", -3.0, 6.0),
    ],
)
def test_an_unmeasurable_track_gets_the_profiles_own_gain_under_the_same_rules(
    fallback_db, upward, applies, peak_db, gain_db
):
    profile = player(upward, applies=applies, unmeasurable_gain_db=fallback_db)
    decision = decide(profile, made(-80.0, peak_db))  # all of it under the gate of −70 LUFS
    assert (decision.wanted_gain_db, decision.counted_lufs) == (None, None)
    assert decision.limited_by == "unmeasurable"
    assert decision.gain_db == pytest.approx(gain_db, abs=1e-9)


def test_the_reason_of_an_unmeasurable_track_says_why_it_is_one():
    assert decide(player(), made(None, None)).reason == (
        "The track has no measurable loudness, so the player leaves it unchanged. "
        "Digital silence: nothing to measure."
    )


@pytest.mark.parametrize(
    ("scope", "quiet_lufs", "gain_db"),
    [
        ("album_loudest", -20.0, -5.00),
        ("album_programme", -20.0, -3.41),
        ("album_loudest", -21.0, -5.00),
        ("album_programme", -21.0, -5.00),  # the quiet track falls below the relative gate
    ],
)
def test_the_two_album_rules_give_the_gains_of_the_worked_example(scope, quiet_lufs, gain_db):
    tracks = [(on_album(str(lufs)), made(lufs, -1.0)) for lufs in (-9.0, -9.0, quiet_lufs)]
    decisions = decide_all(player("never", scope=scope), tracks)
    # ±0.005: the example is given with two decimals.
    assert [decision.gain_db for decision in decisions] == [pytest.approx(gain_db, abs=0.005)] * 3
    assert len({decision.gain_db for decision in decisions}) == 1


@pytest.mark.parametrize(
    ("upward", "applies", "gain_db", "limited_by", "acts"),
    [
        ("headroom", "boost_only", 1.5, "headroom", [False, False]),
        ("headroom", "always", 1.5, "headroom", [False, False]),
        ("limited", "boost_only", 4.0, "nothing", [False, True]),
        ("never", "boost_only", 0.0, "no_upward_gain", [False, False]),
    ],
)
def test_an_albums_room_is_that_of_its_highest_peak(upward, applies, gain_db, limited_by, acts):
    tracks = [(on_album("loud"), made(-18.0, -6.0)), (on_album("quiet, one peak"), made(-24.0, -2.5))]
    decisions = decide_all(player(upward, applies=applies, scope="album_loudest"), tracks)
    assert [decision.gain_db for decision in decisions] == [pytest.approx(gain_db, abs=1e-9)] * 2
    assert {decision.limited_by for decision in decisions} == {limited_by}
    assert [decision.limiter_will_act for decision in decisions] == acts


def test_the_album_is_counted_once_for_each_version_of_a_song():
    tracks = [
        (on_album("open", "song"), made(-14.0, -1.0)),
        (on_album("crushed", "song"), made(-7.0, 0.5)),
        (on_album("other"), made(-12.0, -1.0)),
    ]
    decisions = decide_all(player(scope="album_loudest"), tracks)
    # With the open version the other song is the loudest (−12); with the crushed one, that is (−7);
    # the other song plays on the album of the first version.
    assert [decision.gain_db for decision in decisions] == pytest.approx([-2.0, -7.0, -2.0], abs=1e-9)
    assert "measured with this version of the song" in decisions[1].reason
    assert "version" not in decisions[2].reason


def test_unmeasurable_tracks_take_the_albums_gain_and_unreadable_ones_stay_without():
    tracks = [
        (on_album("loud"), made(-9.0)),
        (on_album("silent"), made(None, None)),
        (on_album("lost"), None),
        (on_album("single", album=None), made(-11.0)),
    ]
    loud, silent, lost, single = decide_all(player(scope="album_programme"), tracks, "Because.")
    assert (loud.gain_db, silent.gain_db, single.gain_db) == pytest.approx((-5.0, -5.0, -3.0), abs=1e-9)
    assert lost is None
    assert "gets the album's gain" in silent.reason
    assert "1 of its tracks could not be read and is left out." in loud.reason
    assert loud.reason.endswith(" Because.")
    assert single.reason.startswith("The track measures −11.0 LUFS")


def test_an_album_without_a_measurable_track_gets_the_profiles_own_gain():
    decisions = decide_all(
        player(scope="album_loudest", unmeasurable_gain_db=-3.0), [(on_album("a"), made(None, None))]
    )
    assert (decisions[0].gain_db, decisions[0].limited_by) == (-3.0, "unmeasurable")


def test_in_the_scope_of_a_track_albums_do_not_matter():
    measured = [made(-9.0), None, made(-20.0)]
    tracks = [(on_album(str(place)), one) for place, one in enumerate(measured)]
    decisions = decide_all(player("never"), tracks, "Because.")
    assert decisions == [None if one is None else decide(player("never"), one) for one in measured]


loudnesses = st.floats(-40.0, -3.0)
peaks_over_loudness = st.floats(0.0, 30.0)
targets = st.floats(-30.0, -5.0)
ceilings = st.floats(-6.0, 0.0)


@given(loudnesses, peaks_over_loudness, targets, ceilings, st.sampled_from(["true", "sample"]))
def test_the_target_is_reached_freely_exactly_when_peak_minus_loudness_fits_under_the_ceiling(
    loudness, ratio, target, ceiling, counts
):
    """peak − I <= ceiling − T, for a player that raises and looks at the peak: for every boost, and for
    every gain where the ceiling always applies. A cut under "boost_only" always reaches the target."""
    track = made(loudness, loudness + ratio + 1.0, sample_peak_db=loudness + ratio, seconds=1.0)
    peak_over = track.peak_db(counts) - track.integrated_lufs
    assume(abs(peak_over - (ceiling - target)) > 1e-6)
    fits = peak_over <= ceiling - target
    for upward in ("headroom", "limited"):
        for applies in ("boost_only", "always"):
            profile = player(upward, target_lufs=target, ceiling_db=ceiling, counts=counts, applies=applies)
            decision = decide(profile, track)
            reached = abs(track.integrated_lufs + decision.gain_db - target) < 1e-9
            free = reached and decision.limited_by == "nothing" and not decision.limiter_will_act
            raised = decision.wanted_gain_db > 0.0
            assert free is (fits if raised or applies == "always" else True)


@given(loudnesses, peaks_over_loudness, targets, ceilings)
def test_what_is_raised_up_to_the_headroom_never_passes_the_ceiling_nor_the_target(
    loudness, ratio, target, ceiling
):
    track = made(loudness, loudness + ratio, seconds=1.0)
    decision = decide(player(target_lufs=target, ceiling_db=ceiling), track)
    if decision.gain_db > 0.0:
        assert track.true_peak_dbtp + decision.gain_db <= ceiling + 1e-9
    assert decision.gain_db <= max(decision.wanted_gain_db, 0.0)
    guarded = decide(player(target_lufs=target, ceiling_db=ceiling, applies="always"), track)
    assert track.true_peak_dbtp + guarded.gain_db <= ceiling + 1e-9
    assert guarded.gain_db <= decision.gain_db


@given(loudnesses, targets, st.sampled_from(["never", "headroom", "limited", "unprotected"]))
def test_the_measurement_with_the_decided_gain_reads_the_counted_loudness_plus_the_gain(
    loudness, target, upward
):
    track = made(loudness, loudness + 9.0, seconds=4.0)
    decision = decide(player(upward, target_lufs=target), track)
    played = track.with_gain(decision.gain_db).integrated_lufs
    assert played == pytest.approx(decision.counted_lufs + decision.gain_db, abs=1e-6)


TAGS = LoudnessTags(TagScheme.REPLAYGAIN, track_gain_db=-6.0, album_gain_db=-4.0, track_peak_db=-0.5)


@pytest.mark.parametrize(
    ("trusted", "scope", "gain_db", "gain_from"),
    [
        ("ignored", "track", -6.0, "measurement"),  # −14 − (−8)
        ("r128", "track", -6.0, "measurement"),  # another scheme
        ("replaygain", "track", -2.0, "track_tag"),  # −14 − (−18 + 6)
        ("any", "album_programme", 0.0, "album_tag"),  # −14 − (−18 + 4)
    ],
)
def test_a_player_that_trusts_tags_takes_their_loudness_for_the_measured_one(
    trusted, scope, gain_db, gain_from
):
    profile = structs.replace(player(scope=scope), tags=trusted)
    (decision,) = decide_all(profile, [(on_album("a"), made(-8.0, -1.0))], "", [TAGS])
    assert decision.gain_db == pytest.approx(gain_db, abs=1e-9)
    assert decision.gain_from == gain_from
    assert ("tag states" in decision.reason) is (gain_from != "measurement")


def test_a_trusted_tag_that_is_off_is_named_with_the_measured_loudness():
    profile = structs.replace(player(), tags="replaygain")
    reason = decide(profile, made(-8.0, -1.0), TAGS).reason
    assert reason.endswith("The file measures −8.0 LUFS, 4.0 LU louder.")
    assert "The file measures" not in decide(profile, made(-12.4, -1.0), TAGS).reason


def test_a_trusted_peak_tag_bounds_a_raise():
    """ReplayGain's clipping prevention, peak × gain ≤ 1 (secondary), by the peak that the file states."""
    quiet = replace(TAGS, track_gain_db=10.0)
    profile = structs.replace(player(ceiling_db=0.0, counts="sample"), tags="replaygain")
    decision = decide(profile, made(-28.0, -12.0), quiet)
    assert (decision.gain_db, decision.limited_by) == (0.5, "headroom")
    assert decide(profile, made(-28.0, -12.0), replace(quiet, track_peak_db=None)).gain_db == 12.0


def test_an_album_track_without_tags_is_measured_with_its_album():
    profile = structs.replace(player(scope="album_loudest"), tags="any")
    tracks = [(on_album("a"), made(-8.0, -1.0)), (on_album("b"), made(-20.0, -1.0))]
    tagged, plain = decide_all(profile, tracks, "", [TAGS, None])
    assert (tagged.gain_db, plain.gain_db) == (pytest.approx(0.0), pytest.approx(-6.0))
