"""What is a tie? 0.2 LU in reports, at the desk, in trials, ladders and the check alike."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from support.made_measurements import made, player

from simulator.common.units import TIE_LU
from simulator.delivery.finding import Decided
from simulator.delivery.level_findings import level_findings
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.rungs.rung import WITHIN_LU
from simulator.session.acts import monitoring, now_playing
from simulator.text.sentences import Version, delivered_sentence

NEVER = player("never")


def version(name: str, loudness_lufs: float) -> Version:
    found = made(loudness_lufs)
    return Version(name, found, from_gain(decide(NEVER, found), found))


@pytest.mark.parametrize(("apart", "equal"), [(0.06, True), (0.16, True), (0.19, True), (0.21, False)])
def test_reports_desk_and_check_call_the_same_things_equal(apart: float, equal: bool) -> None:
    assert ("equally loud" in delivered_sentence(version("a", -14.0), version("b", -14.0 - apart))) is equal
    desk: Any = SimpleNamespace(
        against=1,
        difference_lu=lambda: apart,
        tracks=[SimpleNamespace(version="a"), SimpleNamespace(version="b")],
        turned_down_db={0: apart},
    )
    assert ("same level here as" in now_playing.difference(desk)) is equal
    assert ("Nothing to match" in monitoring._matched_words(desk)) is equal
    loudness = level_findings(made(-14.0 - apart), Decided(target_lufs=-14.0))[0]
    assert (loudness.level == "fine") is equal


def test_the_tie_is_stated_once_and_is_the_two_tenths_that_are_published() -> None:
    assert TIE_LU == WITHIN_LU == 0.2
