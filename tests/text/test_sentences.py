"""The plain words: every rule in both directions, worked by hand from made figures."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_measurements import made, player

from simulator.common.text import level, share, signed
from simulator.comparison.versions import punch_db
from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import Prediction, from_gain
from simulator.normalizer.profile import Profile
from simulator.text import sentences
from simulator.text.sentences import Version

HEADROOM = player("headroom")


def version(name: str, found: Measurement, profile: Profile = HEADROOM) -> Version:
    return Version(name, found, from_gain(decide(profile, found), found))


LOUD = made(-7.5, 0.8)
OPEN = made(-14.0, -1.0)
QUIET = made(-18.0, -1.0)


def test_the_louder_one_as_delivered_is_named_whichever_comes_first() -> None:
    expected = "As delivered, the loud one is 6.5 LU louder than the open one (−7.5 LUFS and −14.0 LUFS)."
    pair = version("the loud one", LOUD), version("the open one", OPEN)
    assert sentences.delivered_sentence(*pair) == expected
    assert sentences.delivered_sentence(*pair[::-1]) == expected


def test_two_of_one_level_are_called_equal() -> None:
    a, b = version("a", made(-14.0)), version("b", made(-14.15))
    assert sentences.delivered_sentence(a, b) == (
        "As delivered, a and b are equally loud (−14.0 LUFS and −14.2 LUFS)."
    )


def test_what_is_turned_down_to_the_target_plays_equally_loud() -> None:
    said = sentences.played_sentence(version("a", LOUD), version("b", OPEN), HEADROOM)
    assert said == (
        "On this player both play at the same loudness overall (a turned down 6.5 dB, b unchanged)."
    )


def test_what_has_no_headroom_plays_quieter_and_the_reason_is_said() -> None:
    a, b = version("a", LOUD), version("b", QUIET)
    assert sentences.played_sentence(a, b, HEADROOM) == (
        "On this player a is 4.0 LU louder than b overall (a turned down 6.5 dB, b unchanged)."
    )
    assert sentences.headroom_sentences(b, HEADROOM) == [
        "B has no headroom to go up, so it ends up 4.0 LU under target."
    ]
    assert sentences.headroom_sentences(a, HEADROOM) == []


def test_part_of_a_raise_is_said_with_what_is_missing() -> None:
    b = version("the open one", made(-20.0, -5.0))
    assert sentences.headroom_sentences(b, HEADROOM) == [
        "The open one can go up only 4.0 dB before its peaks hit the player's ceiling, so it ends up 2.0 LU "
        "under target."
    ]


def test_a_player_that_never_raises_is_said_to_be_one() -> None:
    down = player("never")
    assert sentences.headroom_sentences(version("b", QUIET, down), down) == [
        "B is 4.0 LU under target, and this player never raises a level."
    ]


def test_a_difference_within_the_players_spread_is_said_to_be_that() -> None:
    a, b = version("a", made(-14.0)), version("b", made(-14.4, -1.0))
    said = sentences.played_sentence(a, b, HEADROOM)
    assert said.endswith("b unchanged), within the ±0.5 dB that real players differ by.")


def test_without_a_target_the_louder_one_stays_louder_with_no_spread() -> None:
    untouched = player("never", target_lufs=None)
    a, b = version("a", LOUD, untouched), version("b", OPEN, untouched)
    assert "a is 6.5 LU louder than b" in sentences.played_sentence(a, b, untouched)
    assert sentences.uncertainty_sentence(untouched) == ""


def test_the_limiter_is_said_with_how_much_and_how_often() -> None:
    limited = player("limited")
    quiet = version("b", QUIET, limited)
    report = LimiterReport(max_reduction_db=3.25, mean_reduction_db=0.2, share_over_1_db=0.043)
    acting = Version("b", QUIET, Prediction(quiet.prediction.decision, quiet.prediction.played, report, 0.3))
    assert sentences.headroom_sentences(acting, limited) == [
        "The player's limiter keeps b 0.3 LU under target.",
        "Raised by this player, b hits its limiter: gain reduction up to 3.2 dB, over 1 dB for 4.3 % of the "
        "time.",
    ]


def test_overs_are_no_punch() -> None:
    """Peak to loudness with the true peak held at 0 dBTP: 7.5 for the loud one, not 8.3."""
    assert punch_db(LOUD) == pytest.approx(7.5)
    assert sentences.punch_sentence(version("a", LOUD), version("b", OPEN)) == (
        "B keeps 5.5 dB more peak-to-loudness ratio (PLR 13.0 vs 7.5 dB). Turning a track up or down does "
        "not change that."
    )


def test_equal_punch_is_called_equal() -> None:
    assert sentences.punch_sentence(version("a", OPEN), version("b", made(-14.2, -1.0))).startswith(
        "Both have the same peak-to-loudness ratio"
    )


@pytest.mark.parametrize(
    ("count", "overs", "played"),
    [
        (1, "1 inter-sample over", "; as played it peaks at −5.7 dBTP"),
        (12, "12 inter-sample overs", "; as played it peaks at −5.7 dBTP"),
    ],
)
def test_overs_are_said_as_delivered_and_as_played(count: int, overs: str, played: str) -> None:
    loud = version("a", replace(LOUD, over_count=count))
    assert sentences.overs_sentence(loud) == (f"As delivered, a has {overs} (peaks up to +0.8 dBTP){played}.")
    assert sentences.overs_sentence(version("b", OPEN)) == ""


@pytest.mark.parametrize(
    ("peak", "words"), [(0.02, "less than 0.1 dB over full scale"), (0.051, "up to +0.1 dBTP")]
)
def test_an_over_that_is_hardly_one_is_not_said_to_reach_zero(peak: float, words: str) -> None:
    said = sentences.overs_sentence(version("a", replace(made(-14.0, peak), over_count=1)))
    assert said == f"As delivered, a has 1 inter-sample over (peaks {words})."


@pytest.mark.parametrize(
    ("played_db", "words"), [(0.02, "peaks less than 0.1 dB over full scale"), (0.3, "peaks at +0.3 dBTP")]
)
def test_an_over_that_is_left_as_played_is_not_said_to_peak_at_zero(played_db: float, words: str) -> None:
    found = replace(made(-14.0 + 0.4, played_db + 0.4), over_count=1)
    assert sentences.overs_sentence(version("a", found)).endswith(f"; as played it still {words}.")


def test_an_unmeasurable_version_is_named() -> None:
    silent = version("a", made(None, None))
    assert sentences.delivered_sentence(silent, version("b", OPEN)) == "A has no measurable loudness."
    assert sentences.played_sentence(silent, version("b", OPEN), HEADROOM) == ""
    assert sentences.pair_sentences(silent, version("b", OPEN), HEADROOM)


@pytest.mark.parametrize("upward", ["never", "headroom", "limited", "unprotected"])
@pytest.mark.parametrize("second", [LOUD, OPEN, QUIET, made(-7.6, -0.2)])
def test_equal_is_said_exactly_where_the_played_levels_are_equal(upward: str, second: Measurement) -> None:
    profile = player(upward)
    a, b = version("a", LOUD, profile), version("b", second, profile)
    played = [v.prediction.played.integrated_lufs for v in (a, b)]
    assert played[0] is not None
    assert played[1] is not None
    equal = "both play at the same loudness" in sentences.played_sentence(a, b, profile)
    assert equal == (abs(played[0] - played[1]) <= 0.2)


@pytest.mark.parametrize(
    ("value", "plain", "with_sign"),
    [
        (None, "–", "–"),
        (0.04, "0.0", "0.0"),
        (-0.04, "0.0", "0.0"),
        (-1.25, "−1.2", "−1.2"),
        (3.0, "3.0", "+3.0"),
    ],
)
def test_numbers_have_one_decimal_and_a_true_minus(value: float | None, plain: str, with_sign: str) -> None:
    assert (level(value), signed(value)) == (plain, with_sign)


def test_a_small_share_is_not_called_zero() -> None:
    assert (share(0.0), share(0.0004), share(0.25)) == ("0.0 %", "<0.1 %", "25.0 %")
