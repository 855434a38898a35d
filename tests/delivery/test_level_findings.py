"""Peaks and overs of the master: what lies within the meter's own reading is nobody's fault."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_measurements import made, player

from simulator.delivery.finding import Decided, Finding, Level
from simulator.delivery.level_findings import level_findings, player_finding, tag_findings
from simulator.metering.loudness_tags import LoudnessTags, TagScheme
from simulator.metering.measurement import Measurement, OverEvent
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain


def over(peak_dbtp: float) -> Measurement:
    """A master with one over of that height."""
    return replace(made(-14.0, peak_dbtp), over_count=1, overs=(OverEvent(32.3, 32.31, peak_dbtp),))


def of(found: list[Finding], check: str) -> Finding:
    (one,) = [each for each in found if each.check == check]
    return one


@pytest.mark.parametrize(("peak", "level"), [(0.002, "fine"), (0.05, "fine"), (0.06, "look")])
def test_an_over_within_the_meter_s_reading_needs_no_look(peak: float, level: Level) -> None:
    """As little as the true peak itself does."""
    found = of(level_findings(over(peak), Decided(ceiling_dbtp=0.0)), "overs")
    assert (found.level, found.value) == (level, 1.0)
    assert bool(found.advice) == (level == "look")
    assert ("Within the 0.05 dB" in found.text) is (level == "fine")
    assert of(level_findings(over(peak), Decided(ceiling_dbtp=0.0)), "true_peak").level == (
        "fine" if level == "fine" else "fix"
    )


@pytest.mark.parametrize(("peak", "level"), [(0.004, "fine"), (0.05, "fine"), (0.06, "look")])
def test_a_peak_as_played_is_judged_as_the_master_s_is(peak: float, level: Level) -> None:
    profile, master = player("never"), made(-14.0, peak)
    found = player_finding(profile, from_gain(decide(profile, master), master))
    assert found.level == level
    assert ("a lower ceiling avoids that" in found.advice) is (level == "look")


@pytest.mark.parametrize(
    ("peak", "level", "advice"),
    [
        (-3.0, "fix", "Turn the output up 2.00 dB."),
        (-2.998, "fix", "Turn the output up 2.00 dB."),  # 1.998 dB of room are written 2.00 as well
        (-2.5, "look", "Plain gain can raise it by 1.50 dB before its peaks hit the ceiling."),
        (-0.5, "look", "Plain gain cannot raise it: its peaks are at the ceiling."),
    ],
)
def test_below_the_target_is_a_fix_only_where_gain_can_raise_it(
    peak: float, level: Level, advice: str
) -> None:
    decided = Decided(target_lufs=-14.0, ceiling_dbtp=-1.0)
    found = of(level_findings(made(-16.0, peak), decided, means="Quieter."), "loudness")
    assert (found.level, found.advice, found.text) == (level, advice, "Quieter.")
    coded = of(level_findings(made(-16.0, peak), decided, may_raise=False), "loudness")
    assert coded.level == "look"
    if level == "fix":
        assert coded.advice == "Plain gain cannot raise it: a codec's peaks would pass their limit."


@pytest.mark.parametrize(("lufs", "level"), [(-20.0, "fine"), (-11.0, "fix"), (-13.5, "look")])
def test_a_quiet_song_of_an_album_is_fine_and_a_loud_one_is_not(lufs: float, level: Level) -> None:
    found = of(level_findings(made(lufs), Decided(target_lufs=-14.0), held=False), "loudness")
    assert found.level == level
    assert ("Quieter than the album" in found.text) is (level == "fine")


@pytest.mark.parametrize("lufs", [-20.0, -13.5, -11.0])
def test_songs_of_an_album_whose_programme_has_the_target_may_be_anything(lufs: float) -> None:
    decided = Decided(target_lufs=-14.0, target_of="programme")
    assert of(level_findings(made(lufs), decided, held=False), "loudness").level == "fine"


@pytest.mark.parametrize(
    ("scheme", "gain_db", "level"),
    [
        (TagScheme.REPLAYGAIN, -8.0, "fine"),  # −18 − (−10)
        (TagScheme.REPLAYGAIN, -8.49, "fine"),
        (TagScheme.REPLAYGAIN, -8.51, "look"),
        (TagScheme.R128, -13.0, "fine"),  # −23 − (−10)
        (TagScheme.R128, -12.0, "look"),
    ],
)
def test_a_tag_more_than_half_a_db_off_deserves_a_look(
    scheme: TagScheme, gain_db: float, level: Level
) -> None:
    (found,) = tag_findings(made(-10.0, -1.0), LoudnessTags(scheme, track_gain_db=gain_db), None)
    assert (found.check, found.level, found.value) == ("tag_track_gain", level, gain_db)
    assert found.against == pytest.approx(-8.0 if scheme is TagScheme.REPLAYGAIN else -13.0)


def test_an_album_gain_is_held_against_the_programme() -> None:
    """Three tracks of −9, −9 and −20 LUFS are −10.59 LUFS as one programme (by hand: the power mean)."""
    tags = LoudnessTags(TagScheme.REPLAYGAIN, album_gain_db=-7.41)
    assert tag_findings(made(-20.0, -1.0), tags, -10.59)[0].level == "fine"
    (wrong,) = tag_findings(made(-20.0, -1.0), tags, -9.0)
    assert (wrong.level, wrong.text) == ("look", "Players that trust tags play it 1.59 dB too loud.")
    assert tag_findings(made(-20.0, -1.0), tags, None)[0].level == "fine"


@pytest.mark.parametrize(
    ("peak_db", "level"), [(-1.6, "look"), (-1.4, "fine"), (0.4, "fine"), (0.9, "fine"), (1.1, "look")]
)
def test_a_peak_tag_may_state_the_sample_or_the_true_peak(peak_db: float, level: Level) -> None:
    master = made(-10.0, 0.5, sample_peak_db=-1.0)
    (found,) = tag_findings(master, LoudnessTags(TagScheme.REPLAYGAIN, track_peak_db=peak_db), None)
    assert found.level == level


def test_a_tag_of_a_wrong_form_deserves_a_look() -> None:
    (found,) = tag_findings(made(-10.0), LoudnessTags(TagScheme.R128, faults=("It is wrong.",)), None)
    assert (found.level, found.text) == ("look", "It is wrong.")
