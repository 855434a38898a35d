"""Peaks and overs of the master: what lies within the meter's own reading is nobody's fault."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_measurements import made, player

from simulator.delivery.finding import Decided, Finding, Level
from simulator.delivery.level_findings import level_findings
from simulator.delivery.player_findings import player_finding
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
    assert ("within the 0.05 dB" in found.text) is (level == "fine")
    assert of(level_findings(over(peak), Decided(ceiling_dbtp=0.0)), "true_peak").level == (
        "fine" if level == "fine" else "fix"
    )


@pytest.mark.parametrize(("peak", "level"), [(0.004, "fine"), (0.05, "fine"), (0.06, "look")])
def test_a_peak_as_played_is_judged_as_the_master_s_is(peak: float, level: Level) -> None:
    profile, master = player("never"), made(-14.0, peak)
    found = player_finding(profile, from_gain(decide(profile, master), master))
    assert found.level == level
    assert ("a lower ceiling avoids it" in found.advice) is (level == "look")


@pytest.mark.parametrize(
    ("peak", "advice"),
    [
        (-3.0, "Raise the output by 2.00 dB."),
        (-2.998, "Raise the output by 2.00 dB."),  # 1.998 dB of room are written 2.00 as well
        (-2.5, "Raise the output by 2.00 dB; plain gain has room for 1.50 dB under −1.00 dBTP."),
        (-0.5, "Raise the output by 2.00 dB; plain gain has room for 0.00 dB under −1.00 dBTP."),
    ],
)
def test_the_room_for_a_raise_is_told_where_it_is_written_differently(peak: float, advice: str) -> None:
    found = of(level_findings(made(-16.0, peak), Decided(target_lufs=-14.0, ceiling_dbtp=-1.0)), "loudness")
    assert found.advice == advice
