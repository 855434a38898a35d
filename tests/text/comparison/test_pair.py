"""The two columns side by side: every row speaks of what is played, but the one that says otherwise."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_measurements import made, player

from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import Measurement
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import Prediction, from_gain
from simulator.text.comparison.table import pair_rows
from simulator.text.sentences import Version

LIMITED = player("limited")


def row(name: str, *versions: Version) -> tuple[str, str, str] | None:
    """The cells of one row."""
    found = [cells for what, _, *cells in pair_rows(*versions) if what.strip() == name]
    return (found[0][0], found[0][1], found[0][2]) if found else None


def played(name: str, delivered: Measurement, heard: Measurement) -> Version:
    return Version(
        name, delivered, Prediction(decide(LIMITED, delivered), heard, LimiterReport(6.0, 1.0, 0.1))
    )


def test_punch_without_overs_is_that_of_what_is_played() -> None:
    """The open one, −22.5 LUFS under −1.5 dBTP, is raised by 8.5 dB and pressed under −1: 13.5 dB are left of
    its 21. The loud one, −8 under +1.6, is turned down by 6 to −14, under −4.4: 9.6, without the over 8."""
    quiet, hot = made(-22.5, -1.5), replace(made(-8.0, 1.6), over_count=3)
    open_ = played("open", quiet, made(-14.5, -1.0))
    loud = Version("loud", hot, from_gain(decide(LIMITED, hot), hot))
    assert row("PLR (true peak − integrated)", open_, loud) == ("13.5", "9.6", "−3.9")
    assert row("PLR, overs capped", open_, loud) == ("13.5", "8.0", "−5.5")


@pytest.mark.parametrize(("after", "cells"), [(-1.3, None), (0.4, ("14.0", "13.0", "−1.0"))])
def test_the_row_is_there_where_something_went_over(after: float, cells: tuple[str, str, str] | None) -> None:
    """Also where only an encoder lifts a peak over full scale; not where it lifts one under it."""
    first, second = made(-14.0, -1.5), made(-14.0, -1.0)
    lifted = Version("a", first, replace(from_gain(decide(LIMITED, first), first), played=made(-14.0, after)))
    other = Version("b", second, from_gain(decide(LIMITED, second), second))
    assert row("PLR, overs capped", lifted, other) == cells
