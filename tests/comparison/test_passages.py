"""Which moments are compared: chosen once on the open version, read at the same moments of the other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from support.made_comparison import laid, song

from simulator.common.units import energy_to_lufs, lufs_to_energy
from simulator.comparison.versions import Window, choose, extremes, passage_lufs

OPEN = song([(-20.0, 20.0), (-12.0, 20.0), (-25.0, 20.0)])
LOUD = song([(-11.0, 20.0), (-8.0, 20.0), (-13.0, 20.0)])


def test_the_passages_are_those_of_the_open_version() -> None:
    """Its loudest 3 s begin at 0:20 (the first of equals), its quietest at 0:40."""
    found = choose(LOUD.series.energy, OPEN.series.energy, laid(LOUD, OPEN))
    assert found.shared
    assert (found.loudest.open_s, found.quietest.open_s) == (20.0, 40.0)
    assert found.loudest == Window(20.0, 20.0)
    assert passage_lufs(LOUD.series.energy, found.loudest.loud_s) == pytest.approx(-8.0, abs=1e-9)
    assert passage_lufs(LOUD.series.energy, found.quietest.loud_s) == pytest.approx(-13.0, abs=1e-9)


def test_a_louder_place_of_the_other_version_does_not_move_them() -> None:
    other = song([(-7.0, 20.0), (-9.0, 20.0), (-13.0, 20.0)])
    found = choose(other.series.energy, OPEN.series.energy, laid(other, OPEN))
    assert found.loudest.open_s == 20.0
    assert passage_lufs(other.series.energy, found.loudest.loud_s) == pytest.approx(-9.0, abs=1e-9)


@pytest.mark.parametrize("offset_s", [-1.0, -0.35, 0.0, 0.2, 1.0, 2.04])
def test_a_longer_or_shorter_head_is_taken_off(offset_s: float) -> None:
    """The loud version's windows lie `offset_s` later in its own time."""
    found = choose(LOUD.series.energy, OPEN.series.energy, laid(LOUD, OPEN, offset_s))
    assert found.loudest.open_s is not None
    assert found.loudest.loud_s == pytest.approx(found.loudest.open_s + offset_s)
    assert found.quietest.open_s is not None
    assert found.quietest.loud_s == pytest.approx(found.quietest.open_s + offset_s)


def test_drift_counts_too() -> None:
    """100 ppm in 40 s are 4 ms."""
    found = choose(LOUD.series.energy, OPEN.series.energy, laid(LOUD, OPEN, drift_ppm=-100.0))
    assert found.quietest.loud_s == pytest.approx(40.0 - 0.004)


def test_moments_that_only_one_version_holds_are_not_chosen() -> None:
    """The loud version ends at 0:42 of the open one: its last 20 s, the quietest, are no common moment
    but for 2 s. The 10th percentile of the rest is −20 LUFS, at the beginning."""
    short = song([(-11.0, 20.0), (-8.0, 20.0), (-13.0, 2.0)])
    found = choose(short.series.energy, OPEN.series.energy, laid(short, OPEN))
    assert found.shared
    assert found.quietest == Window(0.0, 0.0)
    late = choose(LOUD.series.energy, OPEN.series.energy, laid(LOUD, OPEN, -25.0))
    assert late.loudest == Window(pytest.approx(0.0), 25.0), "its first 25 s are missing"


def test_without_common_moments_each_has_its_own() -> None:
    turned = song([(-13.0, 20.0), (-11.0, 20.0), (-8.0, 20.0)])
    found = choose(turned.series.energy, OPEN.series.energy, None)
    assert not found.shared
    assert found.loudest == Window(40.0, 20.0)
    assert found.quietest == Window(0.0, 40.0)


def test_less_than_3_s_in_common_are_no_common_moments() -> None:
    assert not choose(LOUD.series.energy, OPEN.series.energy, laid(LOUD, OPEN, 57.5)).shared
    assert choose(LOUD.series.energy, OPEN.series.energy, laid(LOUD, OPEN, 56.0)).shared


def test_a_window_between_two_steps_is_mixed_from_both() -> None:
    """Half a step before the jump from −20 to −12 LUFS 29.5 steps are at −20 and half a step at −12."""
    energy = OPEN.series.energy
    mixed = energy_to_lufs((29.5 * lufs_to_energy(-20.0) + 0.5 * lufs_to_energy(-12.0)) / 30.0)
    assert passage_lufs(energy, 17.05) == pytest.approx(mixed, abs=1e-9)


@pytest.mark.parametrize("start_s", [None, -0.2, 57.2, 80.0])
def test_outside_there_is_no_loudness(start_s: float | None) -> None:
    assert passage_lufs(OPEN.series.energy, start_s) is None


def test_silence_and_short_tracks_have_no_passage() -> None:
    silent, short = np.zeros(100), np.full(29, 0.1)
    assert passage_lufs(silent, 1.0) is None
    assert passage_lufs(short, 0.0) is None
    assert choose(silent, silent, None).quietest == Window(None, None)


def test_the_extremes_are_found_over_all_common_windows() -> None:
    """Loud minus open is +9, +4 and +12 LU in the three parts; across a border it lies between."""
    found = extremes(LOUD.series.energy, OPEN.series.energy, OPEN.series.energy, laid(LOUD, OPEN))
    most, least = found
    assert (most.difference_lu, most.open_s) == (pytest.approx(12.0, abs=1e-9), 40.0)
    assert (least.difference_lu, least.open_s) == (pytest.approx(4.0, abs=1e-9), 20.0)


def test_the_extremes_follow_a_gain_and_an_offset() -> None:
    """Turned down by 10 dB and one second later: the same moments, 10 LU less."""
    later = song([(-60.0, 1.0), (-11.0, 20.0), (-8.0, 20.0), (-13.0, 20.0)]).series.energy * 0.1
    found = extremes(later, OPEN.series.energy, OPEN.series.energy, laid(
        song([(-60.0, 1.0), (-11.0, 60.0)]), OPEN, 1.0))  # fmt: skip
    assert (found[0].difference_lu, found[0].open_s) == (pytest.approx(2.0, abs=1e-9), 40.0)
    assert (found[1].difference_lu, found[1].open_s) == (pytest.approx(-6.0, abs=1e-9), 20.0)


def test_near_silence_is_no_extreme() -> None:
    """A tail under −60 LUFS does not count, however much louder (44 LU) it is in the other version. The
    last window that passes has one step of 100 ms at −14 and 29 at −64 against −10 and −20: 10.0 LU."""
    open_ = song([(-14.0, 30.0), (-64.0, 10.0)])
    loud = song([(-10.0, 30.0), (-20.0, 10.0)])
    found = extremes(loud.series.energy, open_.series.energy, open_.series.energy, laid(loud, open_))
    expected = 10.0 * math.log10((10**-1.0 + 29 * 10**-2.0) / (10**-1.4 + 29 * 10**-6.4))
    assert found[0].difference_lu == pytest.approx(expected, abs=1e-9)


def test_a_quiet_beginning_counts_however_far_it_lies_below_the_rest() -> None:
    """33 LU below the rest, behind Tech 3342's relative gate: 6 LU louder there, level elsewhere."""
    open_, loud = song([(-47.5, 8.0), (-14.5, 30.0)]), song([(-41.5, 8.0), (-14.5, 30.0)])
    found = extremes(loud.series.energy, open_.series.energy, open_.series.energy, laid(loud, open_))
    assert found[0].difference_lu == pytest.approx(6.0, abs=1e-9)


def test_without_counted_windows_there_are_no_extremes() -> None:
    silent = np.zeros(600)
    assert extremes(silent, silent, silent, laid(LOUD, OPEN)) == (None, None)
    assert extremes(silent, OPEN.series.energy, OPEN.series.energy, laid(LOUD, OPEN)) == (None, None)
    apart = laid(LOUD, OPEN, 59.0)
    assert extremes(LOUD.series.energy, OPEN.series.energy, OPEN.series.energy, apart) == (None, None)
