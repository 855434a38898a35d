"""Why a version stays below the target: of the track or of its album, and who takes what; by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from msgspec import structs
from support.made_measurements import made, on_album, player

from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide, decide_all
from simulator.normalizer.prediction import Prediction, from_chain, from_gain
from simulator.normalizer.profile import Delivery, Profile
from simulator.text.sentences import peak_sentences, shortfall_sentences


def in_album(profile: Profile, *found: Measurement) -> list[list[str]]:
    """What is said of each track of one album."""
    tracks = [(on_album(f"{place}"), one) for place, one in enumerate(found)]
    said = []
    for one, decision in zip(found, decide_all(profile, tracks), strict=True):
        assert decision is not None
        said.append(shortfall_sentences("this track", one, from_gain(decision, one), profile))
    return said


def test_room_and_shortfall_of_an_album_are_not_said_to_be_the_track_s() -> None:
    """To −14 under −1 dBTP: the loudest at −20, the highest peak (the quiet one's) at −1.5, so +0.5 dB: the
    album stays at −19.5, 5.5 below; the quiet one plays at −29.5, 15.5 below."""
    loud, quiet = in_album(player(scope="album_loudest"), made(-20.0, -6.0), made(-30.0, -1.5))
    start = (
        "The album with this track can go up only 0.5 dB before its highest peak hits the player's ceiling, "
        "so it ends up 5.5 LU under target; this track itself ends up "
    )
    assert loud == [f"{start}5.5 LU under."]  # it could be raised by 5 dB by its own peaks
    assert quiet == [f"{start}15.5 LU under."]


def test_an_album_that_is_not_raised_says_so_of_the_album() -> None:
    (_, quiet) = in_album(player("never", scope="album_loudest"), made(-20.0, -6.0), made(-30.0, -9.0))
    assert quiet == [
        "The album with this track is 6.0 LU under target, and this player never raises a level; this track "
        "itself ends up 16.0 LU under."
    ]
    (_, full) = in_album(player(scope="album_loudest"), made(-20.0, -0.5), made(-30.0, -9.0))
    assert full == [
        "The album with this track has no headroom to go up, so it ends up 6.0 LU under target; this track "
        "itself ends up 16.0 LU under."
    ]


def test_a_track_that_an_album_keeps_below_the_target_on_purpose_needs_no_word() -> None:
    assert in_album(player(scope="album_loudest"), made(-10.0, -1.0), made(-20.0, -9.0)) == [[], []]


def test_the_track_that_sets_the_album_s_gain_by_itself_is_spoken_of_as_itself() -> None:
    (loud, _) = in_album(player(scope="album_loudest"), made(-20.0, -3.0), made(-30.0, -9.0))
    assert loud == [
        "This track can go up only 2.0 dB before its peaks hit the player's ceiling, so it ends up 4.0 LU "
        "under target."
    ]


QUIET = made(-20.0, -3.0)
LOST = replace(made(-14.8, 0.0), true_peak_dbtp=0.0)  # 0.8 LU less than plain gain gives


def chain(profile: Profile, *, limited: bool = False) -> Prediction:
    report = LimiterReport(max_reduction_db=2.0) if limited else LimiterReport()
    return from_chain(decide(profile, QUIET), QUIET, LOST, report)


CONVERTING = structs.replace(player("unprotected"), converter_headroom_db=0.0)
CODED = structs.replace(player("unprotected"), delivery=Delivery(codec="mp3", bit_rate_kbps=128.0))
BOTH = structs.replace(player("limited"), delivery=Delivery(codec="mp3", bit_rate_kbps=128.0))


@pytest.mark.parametrize(
    ("profile", "limited", "who"),
    [
        (CONVERTING, False, "The clipping D/A converter keeps"),
        (player("limited"), True, "The player's limiter keeps"),
        (CODED, False, "The encoding keeps"),
        (BOTH, True, "The encoding and the player's limiter keep"),
    ],
)
def test_what_takes_the_loudness_is_named(profile: Profile, limited: bool, who: str) -> None:
    said = shortfall_sentences("this track", QUIET, chain(profile, limited=limited), profile)
    assert said == [f"{who} this track 0.8 LU under target."]


def test_where_a_largest_boost_stands_in_the_way_the_limiter_is_not_blamed_for_all_of_it() -> None:
    profile = structs.replace(player("limited"), max_boost_db=2.0)
    played = made(-18.5, -1.0)  # 2 dB up would be −18
    found = from_chain(decide(profile, QUIET), QUIET, played, LimiterReport(max_reduction_db=1.0))
    assert shortfall_sentences("b", QUIET, found, profile) == ["The player's limiter costs b 0.5 LU."]


def test_nothing_is_called_raised_that_is_turned_down() -> None:
    hot = made(-7.0, 0.9)
    profile = player("unprotected")
    assert peak_sentences("b", from_gain(decide(profile, hot), hot), profile) == []
    over = Prediction(decide(profile, hot), made(-14.0, 0.9), LimiterReport())  # by an encoder, say
    assert peak_sentences("b", over, profile) == []
    always = player("limited", applies="always")
    report = LimiterReport(max_reduction_db=1.5, share_over_1_db=0.002)
    acting = Prediction(decide(always, hot), made(-14.0, -1.0), report)
    assert peak_sentences("b", acting, always) == [
        "The player's limiter acts on b: gain reduction up to 1.5 dB, over 1 dB for 0.2 % of the time."
    ]
