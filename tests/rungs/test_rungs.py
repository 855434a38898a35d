"""What a rung gains as played, and which rung is the lowest of the best, by values worked out by hand."""

from __future__ import annotations

import pytest
from support.made_measurements import made, player

from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Conditional, Profile
from simulator.rungs.rung import (
    Action,
    Rung,
    enough_peak_to_loudness_db,
    gained,
    lowest_of_the_best,
)


def rung(lufs: float | None, profile: Profile, peak_db: float = -1.0) -> Rung:
    measured = made(lufs, peak_db)
    return Rung(
        wanted_lufs=lufs or -99.0,
        reached=True,
        why="",
        drive_db=0.0,
        output_gain_db=0.0,
        passes=1,
        action=Action(0.0, 0.0, 0.0, 0.0),
        measurement=measured,
        residual_lu=None,
        played={profile.id: from_gain(decide(profile, measured), measured)},
    )


LEVELS = (-18.0, -16.0, -14.0, -12.0, -10.0)


def test_a_player_that_turns_down_to_minus_14_gains_up_to_there_and_nothing_above() -> None:
    profile = player("never")
    rungs = [rung(level, profile) for level in LEVELS]
    found = [one.integrated_lu for one in gained(rungs, profile.id)]
    assert found == pytest.approx([0.0, 2.0, 4.0, 4.0, 4.0], abs=1e-6)
    assert [one.loudest_lu for one in gained(rungs, profile.id)] == pytest.approx(found, abs=1e-6)
    assert lowest_of_the_best(rungs, profile) == 2


def test_a_player_that_leaves_headroom_follows_its_closed_form() -> None:
    """Ceiling −1, target −14: enough from a ratio of 13 dB. With a peak of −3 dBTP a rung of −16 LUFS has
    that ratio, so it is raised by 2 dB to the target; one of −18 LUFS (15 dB) is raised by 2 dB, too."""
    profile = player("headroom")
    assert enough_peak_to_loudness_db(profile) == 13.0
    rungs = [rung(level, profile, -3.0) for level in LEVELS]
    assert [one.integrated_lu for one in gained(rungs, profile.id)] == pytest.approx(
        [0.0, 2.0, 2.0, 2.0, 2.0], abs=1e-6
    )
    marked = lowest_of_the_best(rungs, profile)
    assert marked == 1
    assert rungs[marked].measurement.peak_to_loudness_db == pytest.approx(13.0, abs=1e-6)
    assert rungs[marked - 1].measurement.peak_to_loudness_db == pytest.approx(15.0, abs=1e-6)


@pytest.mark.parametrize(("below_lu", "place"), [(0.19, 0), (0.21, 1)])
def test_within_two_tenths_of_the_best_is_as_good(below_lu: float, place: int) -> None:
    profile = player("never", target_lufs=-10.0)
    rungs = [rung(-14.0 - below_lu, profile), rung(-14.0, profile)]
    assert lowest_of_the_best(rungs, profile) == place


def test_without_normalisation_no_rung_is_marked_and_all_of_the_loudness_is_gained() -> None:
    profile = player("never", target_lufs=None)
    rungs = [rung(level, profile) for level in LEVELS]
    assert lowest_of_the_best(rungs, profile) is None
    assert [one.integrated_lu for one in gained(rungs, profile.id)] == pytest.approx(
        [0.0, 2.0, 4.0, 6.0, 8.0]
    )


@pytest.mark.parametrize(
    "profile",
    [
        player("never"),
        player("unprotected"),
        player("never", target_lufs=None),
        player("headroom", max_boost_db=6.0),
        player("headroom", conditional=Conditional(10.0, -18.0)),
    ],
)
def test_the_closed_form_stands_only_where_it_holds(profile: Profile) -> None:
    assert enough_peak_to_loudness_db(profile) is None


def test_what_cannot_be_measured_has_no_gain() -> None:
    profile = player("never")
    rungs = [rung(None, profile, -90.0), rung(-14.0, profile)]
    assert gained(rungs, profile.id)[1].integrated_lu is None
    assert lowest_of_the_best(rungs[:1], profile) is None
