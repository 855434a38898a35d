"""The steps of mastering, and that a recipe's target is met."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.demo.demo import master, ridden, soft_clipped
from simulator.demo.score import Recipe
from simulator.metering.meter import measure_array

RATE = 44100


def drum_like(seconds: float = 8.0, level: float = 0.1) -> np.ndarray:
    """Noise bursts twice a second that decay, in stereo: peaks well above the mean."""
    rng = np.random.default_rng(7)
    frames = int(seconds * RATE)
    within = np.arange(frames) % (RATE // 2) / RATE
    noise = rng.normal(size=(frames, 2))
    return (level * noise * (0.2 + np.exp(-within / 0.05))[:, None]).astype(np.float32)


def test_the_soft_clip_is_straight_below_its_knee_and_never_passes_its_ceiling() -> None:
    ramp = np.linspace(-4.0, 4.0, 8001, dtype=np.float32)[:, None]
    out = soft_clipped(ramp, 0.8)
    assert np.abs(out).max() <= 0.8
    low = np.abs(ramp) <= 0.48
    assert np.array_equal(out[low], ramp[low])
    assert np.all(np.diff(out[:, 0]) >= 0.0)
    assert np.max(np.abs(np.diff(out[:, 0]))) < 1.01 * 0.001  # no jump anywhere


def test_the_ride_brings_quiet_passages_up_by_the_ratio_and_leaves_the_loudest() -> None:
    mix = drum_like(24.0)
    mix[: 12 * RATE] *= 10.0 ** (-8.0 / 20.0)
    before = measure_array(mix, RATE)
    after = measure_array(ridden(mix, RATE, before, 2.0, 6.0), RATE)
    quiet = 10.0 * np.log10(after.series.energy[20:90].mean() / before.series.energy[20:90].mean())
    loud = 10.0 * np.log10(after.series.energy[150:220].mean() / before.series.energy[150:220].mean())
    assert quiet == pytest.approx(4.0, abs=0.3)  # half of the 8 dB
    assert loud == pytest.approx(0.0, abs=0.3)


def test_a_peak_recipe_is_a_plain_gain_to_that_peak() -> None:
    mix = drum_like(3.0)
    made = master(mix, RATE, Recipe("x", peak_dbtp=-2.0))
    assert measure_array(made.samples, RATE).true_peak_dbtp == pytest.approx(-2.0, abs=0.01)
    assert np.allclose(made.samples / made.samples[1000, 0], mix / mix[1000, 0], rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize(
    ("target_lufs", "clip_db", "detection"), [(-14.0, None, "true"), (-9.0, 3.0, "sample")]
)
def test_a_loudness_recipe_meets_its_target_and_its_ceiling(
    target_lufs: float, clip_db: float | None, detection: str
) -> None:
    recipe = Recipe("x", target_lufs=target_lufs, clip_db=clip_db, ceiling_db=-1.0, detection=detection)
    made = master(drum_like(), RATE, recipe)
    again = measure_array(made.samples, RATE)
    assert again.integrated_lufs == pytest.approx(target_lufs, abs=0.11)
    assert again.sample_peak_dbfs is not None
    assert again.sample_peak_dbfs <= -0.85  # the ceiling and the last hair of gain
    assert made.measurement.integrated_lufs == pytest.approx(again.integrated_lufs, abs=0.01)


def test_silence_cannot_be_mastered() -> None:
    silence = np.zeros((RATE, 2), dtype=np.float32)
    with pytest.raises(ValueError, match="silent"):
        master(silence, RATE, Recipe("x", target_lufs=-14.0))


@pytest.mark.parametrize(
    ("recipe", "match"),
    [
        (Recipe("x"), "exactly one"),
        (Recipe("x", peak_dbtp=-1.0, target_lufs=-14.0), "exactly one"),
        (Recipe("x", target_lufs=-14.0, ride_ratio=0.5), "ride_ratio must be 1 or more, got 0.5"),
        (Recipe("x", target_lufs=-14.0, clip_db=0.0), "clip_db must be above 0"),
        (Recipe("x", target_lufs=-14.0, release_ms=0.0), "release_ms must be above 0"),
    ],
)
def test_a_recipe_names_its_fault(recipe: Recipe, match: str) -> None:
    assert match in str(recipe.fault())
