"""Alignment on made versions: known offsets, polarity, level, rates, drift, loops, and refusals.

Tolerances for undisturbed material: 0.001 frame and 0.001 dB, and a null of at most −90 dB.
"""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from support.in_memory import align
from support.made_versions import RATE, Version, delayed, song

from simulator.comparison.align import align_and_move, lay_over
from simulator.comparison.alignment import Alignment
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array


@pytest.fixture(scope="module")
def made() -> Version:
    return song(10.0)


def exact(found: Alignment, offset: float, polarity: int, gain_db: float) -> None:
    assert found.kind == "aligned"
    assert found.offset_frames == pytest.approx(offset, abs=0.001)
    assert found.polarity == polarity
    assert found.gain_db == pytest.approx(gain_db, abs=0.001)
    assert found.drift_ppm == 0.0
    assert found.null_db is None or found.null_db <= -90.0
    assert found.confidence > 0.99
    assert all(band.delay_frames == pytest.approx(0.0, abs=0.001) for band in found.delay_by_band)


@pytest.mark.parametrize(
    ("head", "gain", "polarity"),
    [(0, 1.0, 1), (1, 0.5, 1), (-31_007, 2.0, -1), (44_100, 0.03, -1)],
    ids=["the same", "one frame", "its head is cut, upside down", "a longer head, much softer, upside down"],
)
def test_whole_offsets_levels_and_polarity_are_found_exactly(
    made: Version, head: int, gain: float, polarity: int
) -> None:
    second = made[-head:] if head < 0 else np.concatenate([np.zeros((head, 2), np.float32), made])
    found = align(made, RATE, second * np.float32(gain * polarity), RATE)
    exact(found, head, polarity, -20.0 * np.log10(gain))
    assert found.offset_frames == head
    assert found.snapped


@pytest.mark.parametrize("frames", [0.25, -1000.731, pytest.param(7000.013, marks=pytest.mark.heavy)])
def test_fractions_of_a_frame_are_found_to_a_thousandth(made: Version, frames: float) -> None:
    found = align(made, RATE, delayed(made, frames), RATE)
    exact(found, frames, 1, 0.0)
    assert not found.snapped


def test_an_excerpt_is_found_in_the_whole_both_ways_round(made: Version) -> None:
    excerpt = made[250_000:400_000]
    exact(align(made, RATE, excerpt, RATE), -250_000, 1, 0.0)
    exact(align(excerpt, RATE, made, RATE), 250_000, 1, 0.0)


def test_another_sample_rate_is_found_in_the_seconds_own_frames(made: Version) -> None:
    second = soxr.resample(made, RATE, 48_000, quality="VHQ")[4800:]
    found = align(made, RATE, second, 48_000)
    assert found.kind == "aligned"
    assert found.offset_frames == pytest.approx(-4800.0, abs=0.5)
    assert found.offset_frames == pytest.approx(-4800.0, abs=0.001)  # what soxr reaches; 0.5 is the target
    assert found.gain_db == pytest.approx(0.0, abs=0.001)


def test_mono_is_laid_over_stereo(made: Version) -> None:
    mono = made[:, :1]
    stereo = np.repeat(mono, 2, axis=1)[1000:]
    exact(align(mono, RATE, stereo, RATE), -1000, 1, 0.0)


def test_layouts_that_do_not_match_are_refused(made: Version) -> None:
    with pytest.raises(ValueError, match="2 and 6 channels"):
        align(made, RATE, np.repeat(made, 3, axis=1), RATE)


@pytest.mark.parametrize(
    "drift_ppm",
    [pytest.param(0.5, marks=pytest.mark.heavy), pytest.param(20.0, marks=pytest.mark.heavy), -100.0],
)
def test_a_slow_drift_is_reported_and_taken_out(drift_ppm: float) -> None:
    made = song(20.0, seed=3)
    second = soxr.resample(made, RATE, RATE * (1.0 + drift_ppm * 1e-6), quality="VHQ")
    found = align(made, RATE, second, RATE)
    assert found.kind == "aligned"
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=0.01)
    assert found.offset_frames == pytest.approx(0.0, abs=0.01)
    assert found.null_db is not None
    assert found.null_db < -70.0
    assert ("slower" if drift_ppm > 0 else "faster") in found.reason


@pytest.mark.parametrize("frames", [0.0, 0.3])
def test_after_limiting_the_place_holds_to_two_hundredths_of_a_frame(made: Version, frames: float) -> None:
    settings = LimiterSettings(ceiling_db=-1.0, detection="true", look_ahead_ms=3.0, release_ms=100.0)
    limited = limit_array(made * np.float32(8.0), RATE, settings)[0]
    assert np.mean((made * 8.0 - limited) ** 2) > 0.01 * np.mean(limited**2)  # it has worked hard
    found = align(made, RATE, delayed(limited, frames) if frames else limited, RATE)
    assert found.kind == "aligned"
    assert found.offset_frames == pytest.approx(frames, abs=0.02)
    assert found.snapped == (frames == 0.0)


def test_another_song_is_refused_with_its_confidence(made: Version) -> None:
    found = align(made, RATE, song(12.0, seed=7), RATE)
    assert found.kind == "different"
    assert found.confidence > 0.95
    assert not found.has_place
    assert (found.offset_frames, found.gain_db, found.polarity, found.candidates) == (None, None, None, ())
    assert "Not the same performance" in found.reason
    assert f"{100 * found.confidence:.0f} %" in found.reason


def test_a_loop_is_ambiguous_and_its_places_are_named() -> None:
    """Four times the same bar, and a version whose head is cut by half a bar: it fits at any bar."""
    bar = song(3.0, seed=5)
    looped = np.concatenate([bar] * 5)
    found = align(looped, RATE, looped[bar.shape[0] // 2 :], RATE)
    assert found.kind == "ambiguous"
    assert found.second_best is not None
    assert found.second_best > 0.9 * found.similarity
    half = bar.shape[0] // 2
    places = [round(place.offset_frames) for place in found.candidates]
    assert -half in places
    assert all((place + half) % bar.shape[0] == 0 for place in places), places
    assert "repeats" in found.reason


def test_a_loop_under_a_solo_is_not_ambiguous() -> None:
    bar, solo = song(3.0, seed=5), song(15.0, seed=6)
    looped = np.concatenate([bar] * 5) + solo
    found = align(looped, RATE, looped[1000:], RATE)
    exact(found, -1000, 1, 0.0)
    assert found.candidates[0].offset_frames == -1000


def test_an_edit_is_said_with_the_share_that_still_fits(made: Version) -> None:
    """Three seconds are cut out of the last third: what comes before keeps its place."""
    edited = np.concatenate([made[: 6 * RATE], made[9 * RATE :], song(2.0, seed=8)])
    found = align(made, RATE, edited, RATE)
    assert found.kind == "aligned"
    assert found.offset_frames == 0.0
    assert found.agreeing_share == pytest.approx(6.0 / 9.0, abs=0.06)
    assert "was edited" in found.reason


def test_versions_without_an_edit_fit_throughout(made: Version) -> None:
    settings = LimiterSettings(ceiling_db=-1.0, detection="sample", look_ahead_ms=1.0, release_ms=50.0)
    found = align(made, RATE, limit_array(made * np.float32(12.0), RATE, settings)[0], RATE)
    assert found.agreeing_share == 1.0
    assert "edited" not in found.reason


@pytest.mark.parametrize(
    ("second", "reason"),
    [(np.zeros((RATE * 12, 2), np.float32), "silent"), (np.ones((RATE, 2), np.float32), "Too short")],
)
def test_what_cannot_be_judged_says_why(made: Version, second: Version, reason: str) -> None:
    found = align(made, RATE, second, RATE)
    assert found.kind == "different"
    assert found.confidence == 0.5  # it does not claim to know
    assert reason in found.reason


def test_a_known_alignment_lays_the_second_over_the_first_as_aligning_did(made: Version) -> None:
    second = soxr.resample(delayed(made, 0.4), RATE, 48_000, quality="VHQ")
    fresh = align_and_move(made, RATE, second, 48_000)
    again = lay_over(second, 2, fresh.alignment)
    assert again.place == pytest.approx(fresh.place, abs=1e-9)
    assert np.array_equal(again.moved, fresh.moved)
