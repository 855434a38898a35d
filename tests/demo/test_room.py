"""The room against scipy's convolution and its own decay time."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve

from simulator.demo.demo import convolve, impulse_response
from simulator.demo.score import Room

RATE = 44100


def test_overlap_add_agrees_with_scipy_over_several_blocks() -> None:
    rng = np.random.default_rng(5)
    send = rng.normal(size=(2, 700_000)).astype(np.float32)
    response = (rng.normal(size=(2, 40_000)) * np.exp(-np.arange(40_000) / 8000.0)).astype(np.float32)
    ours = convolve(send, response)
    theirs = fftconvolve(send.astype(np.float64), response, axes=1)[:, : send.shape[1]]
    assert np.max(np.abs(ours - theirs)) < 1e-5 * np.max(np.abs(theirs))  # float32 transforms of 2^18


@pytest.mark.parametrize("decay_s", [0.8, 1.6])
def test_the_tail_decays_in_the_stated_time(decay_s: float) -> None:
    # T20 doubled and more, by Schroeder's backward integration (ISO 3382-1, from memory)
    response = impulse_response(Room(decay_s=decay_s), RATE, 1)[0].astype(np.float64)
    left = np.cumsum(np.square(response[::-1]))[::-1]
    level = 10.0 * np.log10(left / left[0])
    start, end = np.argmax(level < -5.0), np.argmax(level < -25.0)
    assert (end - start) / RATE * 3.0 == pytest.approx(decay_s, rel=0.2)  # three bands decay, not one


def test_left_and_right_hear_different_reflections_of_equal_energy() -> None:
    response = impulse_response(Room(), RATE, 2)
    assert abs(np.corrcoef(response)[0, 1]) < 0.15
    energy = np.sum(np.square(response), axis=1)
    assert energy[0] == pytest.approx(energy[1], rel=0.1)
