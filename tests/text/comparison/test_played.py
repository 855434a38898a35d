"""The plain words through one player: what is left, where, and what is never claimed; by hand."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_comparison import NAMES, compared, heard, laid, song
from support.made_measurements import made, player

from simulator.common.text import printed_gap
from simulator.common.units import TIE_LU
from simulator.comparison import versions
from simulator.comparison.versions import Comparison
from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile
from simulator.text.comparison.delivered import whole_sentences
from simulator.text.comparison.played import played_sentences

OPEN = song([(-20.0, 20.0), (-12.0, 20.0)], -6.0)
LOUD = song([(-11.0, 20.0), (-8.0, 20.0)], 0.8, overs=7)
LEVELS = player("unprotected")  # to −14 LUFS whatever the peaks


def said(found: Comparison, rule: str) -> str:
    texts = [one.text for one in played_sentences(found, found.played[0], NAMES) if one.rule == rule]
    return " ".join(texts)


def level_at(found: Measurement, target_lufs: float = -14.0) -> float:
    assert found.integrated_lufs is not None
    return target_lufs - found.integrated_lufs


def test_both_at_the_target_are_a_tie_over_the_whole_track_and_not_in_the_passages() -> None:
    """LOUD integrates to −9.25 LUFS, OPEN to −14.37: the gains are −4.7 and +0.4 dB. So the loudest passage
    plays at −12.75 and −11.63, the quietest at −15.75 and −19.63."""
    found = compared(LOUD, OPEN, [LEVELS])
    assert (level_at(LOUD), level_at(OPEN)) == (pytest.approx(-4.75, abs=0.01), pytest.approx(0.37, abs=0.01))
    assert said(found, "played") == (
        "On this player both play at the same loudness overall (loud turned down 4.8 dB, open turned up 0.4 "
        "dB)."
    )
    assert said(found, "left") == ("Of loud’s 5.2 LU advantage as delivered, nothing remains as played.")
    assert said(found, "played_loudest") == (
        "In the loudest passage (from 0:20.0 of open, the same moment in both; each with its track gain "
        "applied) open is 1.2 LU louder than loud."
    )
    assert said(found, "played_quietest") == (
        "In the quietest passage (from 0:00.0 of open, the same moment in both; each with its track gain "
        "applied) loud is 3.8 LU louder than open: one gain is set for the whole track, not per section."
    )
    assert said(found, "anywhere") == (
        "Moment to moment, near-silence aside, loud is up to 3.9 LU louder (at 0:00.0) and up to 1.1 LU "
        "quieter (at 0:20.0)."
    )
    assert said(found, "no_level_difference") == ""


def test_where_nothing_is_normalised_all_is_left() -> None:
    found = compared(LOUD, OPEN, [player("never", target_lufs=None)])
    assert said(found, "left") == ("Of loud’s 5.2 LU advantage as delivered, 5.2 LU remains as played.")
    assert "no gain applied) loud is 4.0 LU louder" in said(found, "played_loudest")
    assert said(found, "played_quietest").endswith("no gain applied) loud is 9.0 LU louder than open.")
    assert "and never more than 0.2 LU quieter." in said(found, "anywhere")
    assert said(found, "uncertainty") == ""


def test_a_largest_cut_leaves_what_it_does_not_reach() -> None:
    """To −30 LUFS by at most 10 dB: −8 ends at −18, −14 at −24."""
    held = player("unprotected", target_lufs=-30.0, max_cut_db=10.0)
    assert said(compared(made(-8.0), made(-14.0), [held]), "left") == (
        "Of loud’s 6.0 LU advantage as delivered, 6.0 LU remains as played."
    )


def test_a_player_that_raises_the_loud_one_further_is_said_to_widen_the_difference() -> None:
    """Up to −1 dBTP: the dense one, at −22 LUFS under −9 dBTP, reaches −14; the open one, at −26 under −3,
    stays at −24. "Of the 4.0 LU … 10.0 LU remains" would be no sense."""
    found = compared(made(-22.0, -9.0), made(-26.0, -3.0), [player("headroom")])
    assert said(found, "left") == (
        "As delivered loud is 4.0 LU louder, as played 10.0 LU: this player widens the difference."
    )
    turned = compared(made(-26.0, -3.0), made(-22.0, -9.0), [player("headroom")])
    assert said(turned, "left").startswith("As delivered open is 4.0 LU louder, as played")


def test_none_left_and_the_other_louder() -> None:
    """The ceiling of −6 dBTP always applies: the loud one, at +0.8 dBTP, is turned down by 6.8 dB to −18.8;
    the open one, at −9 dBTP, is raised by 3 dB to −11."""
    loud, open_ = made(-12.0, 0.8), made(-14.0, -9.0)
    found = compared(loud, open_, [player("headroom", target_lufs=-10.0, ceiling_db=-6.0, applies="always")])
    assert said(found, "left") == (
        "Of loud’s 2.0 LU advantage as delivered, nothing remains: as played open is 7.8 LU louder."
    )
    assert said(found, "stays_quieter") == (
        "This player keeps peaks below −6.0 dBTP. loud has the higher PLR, so it plays 7.8 LU quieter than "
        "open."
    )


def test_a_profile_that_leaves_headroom_keeps_an_open_master_quieter() -> None:
    """To −10 LUFS under −1 dBTP: the open one has PLR 13 and stays at −14; the loud one reaches −10."""
    found = compared(made(-8.0, -0.5), made(-14.0, -1.0), [player("headroom", target_lufs=-10.0)])
    assert said(found, "stays_quieter") == (
        "This player keeps peaks below −1.0 dBTP. open has the higher PLR, so it plays 4.0 LU quieter than "
        "loud."
    )
    assert "4.0 LU" in said(found, "headroom")
    assert "4.0 LU remains as played" in said(found, "left")
    sample = compared(made(-8.0), made(-14.0), [player("headroom", target_lufs=-10.0, counts="sample")])
    assert "below −1.0 dBFS" in said(sample, "stays_quieter")


def test_no_higher_plr_is_claimed_where_the_louder_one_was_over_the_ceiling_as_delivered() -> None:
    """PLR 13 of the loud one against 12: it keeps its peaks at +2 dBTP, over the player's −1."""
    found = compared(made(-11.0, 2.0), made(-13.0, -1.0), [player("headroom", target_lufs=-10.0)])
    assert "2.0 LU" in said(found, "played")
    assert said(found, "stays_quieter") == ""


@pytest.mark.parametrize("scope", ["album_loudest", "album_programme"])
def test_where_an_album_sets_the_gain_that_is_said_and_no_peak_is_blamed(scope: str) -> None:
    profile = player("headroom", target_lufs=-10.0, scope=scope)
    found = compared(made(-8.0, -0.5), made(-14.0, -1.0), [profile])
    assert said(found, "stays_quieter") == ""
    assert "each with its album gain applied" in said(found, "played_loudest")


def test_a_gain_only_pair_plays_alike_everywhere_and_only_then_nothing_is_gained() -> None:
    loud, open_ = song([(-14.0, 20.0), (-6.0, 20.0)], 0.0), song([(-20.0, 20.0), (-12.0, 20.0)], -6.0)
    found = compared(loud, open_, [LEVELS])
    assert said(found, "no_level_difference") == (
        "On this player neither is louder: overall and in every 3 s (near-silence aside) they differ by 0.2 "
        "LU or less."
    )
    assert said(found, "anywhere") == ""
    assert "both are equally loud." in said(found, "played_loudest")
    assert "both are equally loud." in said(found, "played_quietest")


def test_one_window_that_differs_is_enough_to_say_so() -> None:
    """2 LU more in 3 of 40 s: a tie over the whole track, in the loudest and in the quietest passage."""
    open_ = song([(-20.0, 10.0), (-16.0, 10.0), (-12.0, 20.0)], -6.0)
    loud = song([(-20.0, 10.0), (-16.0, 3.0), (-14.0, 3.0), (-16.0, 4.0), (-12.0, 20.0)], -6.0)
    found = compared(loud, open_, [LEVELS])
    assert "at the same loudness overall" in said(found, "played")
    assert "equally loud" in said(found, "played_loudest")
    assert said(found, "no_level_difference") == ""
    assert "up to 1.9 LU louder (at 0:13.0)" in said(found, "anywhere")
    assert "never more than 0.2 LU quieter" in said(found, "anywhere")
    other_way = compared(open_, loud, [LEVELS])
    assert said(other_way, "anywhere") == (
        "Moment to moment, near-silence aside, loud is up to 1.9 LU quieter (at 0:13.0) and never more than "
        "0.2 LU louder."
    )


def test_without_common_moments_each_passage_is_its_own_and_no_window_is_compared() -> None:
    found = compared(LOUD, OPEN, [LEVELS], laid(LOUD, OPEN, kind="different"))
    assert "(each at its own; each with its track gain applied)" in said(found, "played_loudest")
    assert said(found, "anywhere") == said(found, "no_level_difference") == ""


@pytest.mark.parametrize(
    ("peaks", "expected"),
    [
        ((0.8, -6.0), "As played, loud peaks 4.0 dB below full scale and open 5.6 dB below full scale."),
        ((8.0, -6.0), "As played, loud peaks 3.2 dB over full scale and open 5.6 dB below full scale."),
        ((8.0, 1.0), "As played, loud peaks 3.2 dB over full scale and open 1.4 dB over full scale."),
    ],
)  # fmt: skip
def test_unused_headroom_in_every_case(peaks: tuple[float, float], expected: str) -> None:
    loud = song([(-11.0, 20.0), (-8.0, 20.0)], peaks[0])
    open_ = song([(-20.0, 20.0), (-12.0, 20.0)], peaks[1])
    assert said(compared(loud, open_, [LEVELS]), "unused_headroom") == expected


def test_overs_before_and_after_the_player_s_gain() -> None:
    assert said(compared(LOUD, OPEN, [LEVELS]), "overs") == (
        "loud has 7 inter-sample overs as delivered (peaks up to +0.8 dBTP) and none as played (peaks up to "
        "−4.0 dBTP)."
    )
    once = replace(LOUD, over_count=1)
    found = compared(once, OPEN, [player("never", target_lufs=None)], overs=(1, 0))
    assert "1 inter-sample over as delivered (peaks up to +0.8 dBTP) and 1 as played" in said(found, "overs")
    just = replace(OPEN, over_count=1, true_peak_dbtp=0.02)
    barely = compared(just, OPEN, [player("never", target_lufs=None)], overs=(1, 0))
    assert "1 inter-sample over as delivered (peaks less than 0.1 dB over" in said(barely, "overs")
    raised = compared(replace(OPEN, over_count=0), OPEN, [LEVELS], overs=(3, 0))
    assert "no inter-sample overs as delivered (peaks up to −6.0 dBTP) and 3 as" in said(raised, "overs")


def test_a_limiter_s_work_is_told() -> None:
    profile = player("limited")
    quiet = made(-20.0, -3.0)
    one = heard(quiet, profile)
    pressed = replace(one.prediction, limiter=LimiterReport(4.0, 1.0, 0.2))
    found = versions.compare(
        quiet, quiet, [(profile, replace(one, prediction=pressed), one)], laid(quiet, quiet), None
    )
    assert "4.0 dB" in said(found, "headroom")


PARTS = st.lists(st.floats(-30.0, -6.0), min_size=1, max_size=4)
PLAYERS = st.sampled_from(
    [
        LEVELS,
        player("never"),
        player("never", target_lufs=None),
        player("headroom", target_lufs=-12.0),
        player("headroom", target_lufs=-16.0, applies="always"),
        player("unprotected", max_boost_db=2.0, max_cut_db=4.0),
        player("headroom", scope="album_loudest"),
    ]
)


@settings(max_examples=60, deadline=None)
@given(PARTS, st.lists(st.floats(-9.0, 9.0), min_size=4, max_size=4), PLAYERS, st.floats(-9.0, 6.0))
def test_nothing_is_called_no_gain_where_any_played_difference_exceeds_the_tie(
    parts: list[float], changes: list[float], profile: Profile, peak_db: float
) -> None:
    """Whatever the pair: where a sentence says so, every difference is small; where a sentence names a side
    as louder, it is."""
    open_ = song([(lufs, 8.0) for lufs in parts], -6.0)
    loud = song([(lufs + more, 8.0) for lufs, more in zip(parts, changes, strict=False)], peak_db)
    found = compared(loud, open_, [profile])
    gap = found.played[0].side.gap
    every = [gap.integrated_lu, gap.loudest_passage_lu, gap.quietest_passage_lu]
    every += [one.difference_lu for one in (gap.most, gap.least) if one is not None]
    worst = max(abs(value) for value in every if value is not None)
    texts = [one.text for one in played_sentences(found, found.played[0], NAMES)]
    texts += [one.text for one in whole_sentences(found, NAMES)]
    claims = [text for text in texts if "neither is louder" in text]
    assert bool(claims) is (worst <= TIE_LU)
    side = found.played[0].side
    for which in ("loudest", "quietest"):
        text = said(found, f"played_{which}")
        value = printed_gap(*(getattr(one, f"{which}_passage_lufs") for one in (side.loud, side.open)))
        assert value is not None
        louder = re.search(r"\) (loud|open) is \d", text)
        if abs(value) <= TIE_LU:
            assert louder is None
            assert "equally loud" in text
        else:
            assert louder is not None
            assert (louder.group(1) == "loud") is (value > 0.0)
    assert np.isfinite(worst)
