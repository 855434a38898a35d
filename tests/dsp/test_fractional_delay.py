"""Reading a version between its frames."""

from __future__ import annotations

import numpy as np
import pytest
from support.made_versions import song

from simulator.dsp.interpolation import HALF, read


def tone(share_of_rate: float, frames: int, shift: float = 0.0) -> np.ndarray:
    place = np.arange(frames) + shift
    return np.stack(
        [np.sin(2.0 * np.pi * share_of_rate * place), np.cos(2.0 * np.pi * share_of_rate * place)], 1
    )


def test_a_whole_place_is_copied_bit_for_bit_with_silence_outside() -> None:
    version = song(0.5)
    got = read(version, -100.0, version.shape[0] + 300)
    assert np.array_equal(got[:, 100:-200], version.T)
    assert not got[:, :100].any()
    assert not got[:, -200:].any()


@pytest.mark.parametrize("share_of_rate", [0.01, 0.1, 0.25, 0.4, 0.45, 0.49])
@pytest.mark.parametrize("fraction", [0.001, 0.37, 0.5, 0.93])
def test_a_sine_is_read_between_its_samples(share_of_rate: float, fraction: float) -> None:
    """Against the sine's own formula: 90 dB down is 3.2e-5."""
    frames = 6 * HALF
    got = read(tone(share_of_rate, frames), 2 * HALF + fraction, HALF)
    wanted = tone(share_of_rate, HALF, 2 * HALF + fraction)
    assert np.abs(got.T - wanted).max() < 3.2e-5
