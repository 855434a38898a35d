"""The search finds a rung's drive in few passes, on curves whose answers are known, and gives up where it
should."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_measurements import made

from simulator.rungs.search import (
    KEPT_DOWN,
    LEAST_SLOPE,
    MOST_DRIVE_DB,
    MOST_PASSES,
    TOLERANCE_LU,
    Found,
    Guess,
    search,
)


def searched(
    wanted: float, curve: Callable[[float], float], guess: Guess | None = None
) -> tuple[Found, list[float]]:
    """The search over a curve of loudness by drive, and the drives that it tried."""
    tried: list[float] = []

    def at(drive_db: float) -> float:
        tried.append(drive_db)
        return curve(drive_db)

    found = search(wanted, guess or Guess(made(-20.0, -1.0), -1.0), at)
    assert found is not None
    assert found.passes == len(tried) <= MOST_PASSES
    assert all(drive <= MOST_DRIVE_DB for drive in tried)
    assert len(set(tried)) == len(tried)
    assert found.integrated_lufs == curve(found.drive_db)
    return found, tried


def saturating(start: float, most: float) -> Callable[[float], float]:
    """Straight up to 0 dB of drive, then nearer and nearer to `most` (LU above `start`)."""

    def curve(drive_db: float) -> float:
        return start + (drive_db if drive_db <= 0.0 else most * (1.0 - math.exp(-drive_db / most)))

    return curve


def test_the_guess_is_exact_where_no_peak_is_over() -> None:
    guess = Guess(made(-20.0, -11.0), -1.0)
    assert guess.integrated_lufs(10.0) == pytest.approx(-10.0, abs=1e-6)
    assert guess.drive_db(-14.0, lambda _: 0.0) == pytest.approx(6.0, abs=1e-6)
    found, tried = searched(-14.0, lambda drive: -20.0 + drive, guess)
    assert found.reached
    assert len(tried) == 1


def test_the_guess_brings_each_step_down_by_a_share_of_what_it_is_over() -> None:
    """All steps 4 dB over the ceiling at 4 dB of drive: 4 − KEPT_DOWN · 4 dB are left of it."""
    guess = Guess(made(-20.0, -1.0), -1.0)
    assert guess.integrated_lufs(4.0) == pytest.approx(-20.0 + 4.0 * (1.0 - KEPT_DOWN), abs=1e-5)


@pytest.mark.parametrize("wanted", [-26.0, -20.0, -18.0, -16.0, -14.0])
@pytest.mark.parametrize("most", [7.0, 9.0, 14.0])
def test_a_curve_that_bends_is_reached_within_a_tenth(wanted: float, most: float) -> None:
    found, _ = searched(wanted, saturating(-20.0, most))
    assert found.reached
    assert found.why == ""
    assert abs(found.integrated_lufs - wanted) <= TOLERANCE_LU


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.floats(-19.0, -13.0), st.floats(7.5, 20.0), st.floats(-3.0, 3.0))
def test_whatever_the_bend_the_search_ends_reached_or_with_a_reason(
    wanted: float, most: float, bias: float
) -> None:
    """`bias` shifts the curve against the guess, as music does."""
    found, _ = searched(wanted, saturating(-20.0 + bias, most))
    assert found.reached == (abs(found.integrated_lufs - wanted) <= TOLERANCE_LU)
    assert found.reached != bool(found.why)


def test_a_flat_top_is_given_up_and_stands_at_the_least_drive_that_is_worth_it() -> None:
    """The curve gains nothing from 6 dB on: each later dB brings less than the least slope."""
    found, tried = searched(-8.0, lambda drive: -20.0 + min(drive, 6.0))
    assert not found.reached
    assert "each dB adds less than 0.05 LU" in found.why
    assert found.integrated_lufs == -14.0
    assert found.drive_db < max(tried)


def test_what_the_most_drive_does_not_reach_says_so() -> None:
    found, tried = searched(-8.0, lambda drive: -40.0 + drive, Guess(made(-40.0, -21.0), -1.0))
    assert not found.reached
    assert found.why == "even 24 dB of drive is not enough"
    assert found.drive_db == max(tried) == MOST_DRIVE_DB
    assert found.integrated_lufs == -16.0


def test_a_slope_just_above_the_least_is_followed_up_to_the_most_drive() -> None:
    slope = 1.2 * LEAST_SLOPE
    found, tried = searched(-8.0, lambda drive: -20.0 + slope * drive)
    assert not found.reached
    assert max(tried) == MOST_DRIVE_DB
    assert found.drive_db == MOST_DRIVE_DB


def test_a_curve_that_falls_with_more_drive_ends_at_its_top() -> None:
    """As sample-peak limiting does, whose output is lowered by more and more."""
    found, _ = searched(-8.0, lambda drive: -20.0 + drive - 0.06 * drive * drive)
    assert not found.reached
    assert found.drive_db < MOST_DRIVE_DB


def test_silence_has_no_drive() -> None:
    assert search(-14.0, Guess(made(None, None), -1.0), lambda _: None) is None


def test_steps_of_silence_do_not_disturb_the_guess() -> None:
    mix = made(-20.0, -1.0)
    mix.series.true_peak[:100] = 0.0
    mix.series.energy[:100] = 0.0
    assert np.isfinite(Guess(mix, -1.0).drive_db(-14.0, lambda _: 0.0))


def test_on_a_flat_top_a_loudness_is_reached_by_the_least_drive_that_does() -> None:
    """At 20.6 dB the curve is 0.0125 LU under its end; the 0.06 LU under it are there from 15.9 dB on."""
    tried = []

    def at(drive_db: float) -> float:
        tried.append(drive_db)
        return -8.0 - 12.0 * math.exp(-drive_db / 3.0)

    found = search(-8.0125, Guess(made(-20.0, -1.0), -1.0), at, 12, 0.005)
    assert found is not None
    assert found.reached
    assert max(tried) > 18.0
    assert 15.5 < found.drive_db < 17.5
