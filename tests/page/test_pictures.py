"""The geometry of the page's pictures: curves, their scale, their paths and ticks."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest

from simulator.common.units import lufs_to_energy
from simulator.page.pictures import (
    FLOOR_LUFS,
    HEIGHT,
    MOST_POINTS,
    WIDTH,
    curve,
    level_ticks,
    limits,
    path,
    time_ticks,
)


def energy(seconds: float, level_lufs: float) -> np.ndarray:
    return np.full(round(seconds * 10), lufs_to_energy(level_lufs))


def test_a_curve_is_the_short_term_loudness_at_the_middle_of_its_windows() -> None:
    found = curve(np.concatenate([energy(10, -20.0), energy(10, -14.0)]))
    assert found.time_s[0] == pytest.approx(1.5)
    assert found.time_s[-1] == pytest.approx(18.5)
    assert found.loudness_lufs[0] == pytest.approx(-20.0)
    assert found.loudness_lufs[-1] == pytest.approx(-14.0)


@pytest.mark.parametrize("seconds", [6.0, 60.0, 3600.0])
def test_a_curve_is_thinned_to_what_a_screen_shows_and_keeps_its_greatest_value(seconds: float) -> None:
    series = energy(seconds, -20.0)
    series[series.shape[0] // 2 :][:30] = lufs_to_energy(-9.0)
    found = curve(series)
    assert 1 <= found.time_s.shape[0] <= MOST_POINTS
    assert found.loudness_lufs.max() == pytest.approx(-9.0)
    assert found.time_s.max() <= seconds


def test_silence_lies_on_the_floor_and_a_short_track_has_no_curve() -> None:
    assert curve(np.zeros(100)).loudness_lufs.tolist() == [FLOOR_LUFS] * 71
    assert curve(np.zeros(10)).time_s.size == 0


def points(drawn: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", drawn)]


def test_one_scale_holds_all_curves() -> None:
    low, high = limits([curve(energy(60, -14.3)), curve(energy(60, -6.9))])
    assert (low, high) == (-20.0, -5.0)


def test_a_path_runs_from_left_to_right_with_its_levels_on_the_scale() -> None:
    """At −20 LUFS on a scale from −40 to 0 a line lies in the middle, at −10 LUFS a quarter from the top."""
    drawn = points(path(curve(np.concatenate([energy(20, -20.0), energy(20, -10.0)])), (-40.0, 0.0), 40.0))
    assert drawn[0] == (round(WIDTH * 1.5 / 40.0), HEIGHT / 2)
    assert drawn[-1] == (round(WIDTH * 38.5 / 40.0), HEIGHT / 4)
    assert all(a[0] <= b[0] for a, b in itertools.pairwise(drawn))


def test_a_track_under_three_seconds_has_no_path_and_no_scale_of_its_own() -> None:
    nothing = curve(np.zeros(10))
    assert path(nothing, limits([nothing]), 1.0) == ""
    assert limits([nothing]) == (-40.0, 0.0)


@pytest.mark.parametrize("length_s", [0.4, 7.0, 42.0, 210.0, 4000.0, 30_000.0])
def test_times_lie_where_they_say_and_are_few(length_s: float) -> None:
    ticks = time_ticks(length_s)
    assert ticks[0].text == "0:00"
    assert len(ticks) <= 10
    for tick in ticks:
        minutes, seconds = tick.text.split(":")
        assert (60 * int(minutes) + int(seconds)) / length_s * 100 == pytest.approx(tick.percent)
        assert tick.percent <= 100.0


@pytest.mark.parametrize("low", [-15.0, -20.0, -35.0, -45.0, -60.0])
def test_levels_lie_where_they_say_at_equal_whole_steps(low: float) -> None:
    ticks = level_ticks((low, 0.0))
    shown = [float(tick.text.replace("−", "-")) for tick in ticks]
    assert [100.0 * (one - low) / -low for one in shown] == pytest.approx([tick.percent for tick in ticks])
    assert len({round(b - a, 6) for a, b in itertools.pairwise(shown)}) == 1
