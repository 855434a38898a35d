"""Partials by matrix product, noise by spectrum, lines between points."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.demo.synthesis import decaying_partials, drawn, exponential, fade, shaped_noise

RATE = 44100


def test_the_matrix_product_gives_the_partials_written_out_sample_by_sample() -> None:
    hertz, level = np.array([110.0, 223.7, 5001.3]), np.array([1.0, -0.5, 0.25])
    t60, phases = np.array([2.0, 0.7, 0.1]), np.array([0.0, 1.0, -2.0])
    seconds = np.arange(20_001) / RATE
    direct = sum(
        a * 10.0 ** (-3.0 * seconds / t) * np.sin(2.0 * np.pi * f * seconds + p)
        for f, a, t, p in zip(hertz, level, t60, phases, strict=True)
    )
    made = decaying_partials(hertz, level, t60, len(seconds), RATE, phases)
    assert np.max(np.abs(made - direct)) < 2e-6  # float32 keeps about 1e-7 of a sum of about 2


def test_partials_that_would_fold_back_are_left_out() -> None:
    silent = decaying_partials(np.array([21_000.0]), np.ones(1), np.ones(1), 1000, RATE)
    assert not np.any(silent)


def test_shaped_noise_has_rms_1_and_the_spectrum_that_was_asked_for() -> None:
    noise = shaped_noise(
        np.random.default_rng(3), 1 << 17, RATE, [(500.0, -60.0), (2000.0, 0.0), (8000.0, 0.0)]
    )
    assert np.sqrt(np.mean(np.square(noise))) == pytest.approx(1.0, abs=1e-4)
    power = np.square(np.abs(np.fft.rfft(noise)))
    bins = np.fft.rfftfreq(len(noise), 1.0 / RATE)
    flat = power[(bins > 2500) & (bins < 7500)].mean()
    middle = power[(bins > 980) & (bins < 1020)].mean()  # half way in octaves: -30 dB
    assert 10.0 * np.log10(middle / flat) == pytest.approx(-30.0, abs=1.5)  # about 120 random bins


def test_an_exponential_falls_by_60_db_in_its_time() -> None:
    assert exponential(RATE + 1, RATE, 1.0)[-1] == pytest.approx(0.001, rel=1e-4)


def test_fades_start_and_end_near_zero_and_leave_the_middle() -> None:
    faded = fade(np.ones((2, 1000), dtype=np.float32), 1000, 0.1, 0.2)
    assert np.all(faded[:, [0, -1]] < 0.01)
    assert np.all(faded[:, 100:800] == 1.0)


def test_lines_between_points_agree_with_linear_interpolation() -> None:
    points = np.random.default_rng(1).normal(size=(2, 9))
    lines = drawn(points, 8, 60)
    for line, row in zip(lines, points, strict=True):
        assert np.allclose(line, np.interp(np.arange(60), np.arange(9) * 8, row))
