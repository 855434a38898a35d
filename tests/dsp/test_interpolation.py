"""The screen's two looks against the plain sum of windowed sinc pulses, row by row, in double precision."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.dsp.interpolation import (
    HALF_SCREEN,
    REACH,
    SCREEN,
    SHORT_ROW,
    TwoLooks,
    kernel,
    screen_matrix,
)


def wave_at(samples: np.ndarray, place: float) -> float:
    """The wave at a place in samples, by the kernel's own definition."""
    sources = np.arange(int(place) - HALF_SCREEN, int(place) + HALF_SCREEN + 2)
    weights = kernel(place - sources, HALF_SCREEN, 3.4)
    return float(samples[sources].astype(np.float64) @ weights)


@pytest.mark.parametrize("rows", [1, 2, 3, 4, 5, 37])
@pytest.mark.parametrize("start", [REACH, REACH + 5])
def test_the_first_look_is_the_highest_sample_or_half_sample_of_each_row(rows: int, start: int) -> None:
    samples = np.random.default_rng(rows).uniform(-1, 1, start + rows * SHORT_ROW + REACH).astype(np.float32)
    found = TwoLooks().look(samples, start, rows)
    assert found.shape == (rows,)
    for row in range(rows):
        first = start + row * SHORT_ROW
        halves = [abs(wave_at(samples, first + index + 0.5)) for index in range(SHORT_ROW)]
        own = np.abs(samples[first : first + SHORT_ROW + 1]).max()
        assert found[row] == pytest.approx(max(own, *halves), rel=2e-6)


def test_looks_of_other_lengths_follow_each_other() -> None:
    """The working memory of one look leaves nothing behind in the next."""
    looks = TwoLooks()
    for rows, level in ((40, 1.0), (7, 0.1), (40, 0.01), (1, 0.5), (2, 0.001)):
        samples = level * np.random.default_rng(rows).uniform(-1, 1, rows * SHORT_ROW + 2 * REACH)
        samples = samples.astype(np.float32)
        assert np.array_equal(looks.look(samples, REACH, rows), TwoLooks().look(samples, REACH, rows))


def test_the_closer_look_gives_quarter_samples_of_the_chosen_rows() -> None:
    rows, looks = 9, TwoLooks()
    samples = np.random.default_rng(4).uniform(-1, 1, rows * SHORT_ROW + 2 * REACH).astype(np.float32)
    looks.look(samples, REACH, rows)
    chosen = np.array([0, 4, 8])
    wave = looks.look_closer(chosen)
    assert wave.shape == (SCREEN * SHORT_ROW, 3)
    for column, row in enumerate(chosen):
        for line in range(SCREEN * SHORT_ROW):
            place = REACH + row * SHORT_ROW + line / SCREEN
            assert wave[line, column] == pytest.approx(abs(wave_at(samples, place)), abs=1e-5)
    assert screen_matrix(SHORT_ROW).shape == (SCREEN * SHORT_ROW, SHORT_ROW + 2 * HALF_SCREEN - 1)
