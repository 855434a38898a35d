"""The chain is the player's gain, then its limiter, then the converter, and nothing else."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals
from support.in_memory import convert_array, play_array

from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import LimiterReport, limit_array
from simulator.normalizer.chain import ChainSettings, play

RATE = 48_000
LIMITER = LimiterSettings(-1.0, "true", 3.0, 150.0)


def wave(seconds: float = 2.0, peak: float = 0.5) -> NDArray[np.float32]:
    noise = signals.noise_bursts(RATE, seconds, seed=4)
    return noise / np.abs(noise).max() * np.float32(peak)


@pytest.mark.parametrize("limiter", [None, LIMITER])
def test_at_0_db_without_limiter_action_every_bit_stays(limiter: LimiterSettings | None) -> None:
    """Also the sign of a zero and numbers too small for float32's normal range."""
    samples = wave()
    samples[100], samples[200] = -0.0, 1e-42
    played, report = play_array(samples, RATE, ChainSettings(0.0, limiter))
    assert np.array_equal(played.view(np.uint32), samples.view(np.uint32))
    assert report == LimiterReport()


@pytest.mark.parametrize("gain_db", [-20.0, -7.3, 4.2])
def test_without_a_limiter_the_output_is_the_input_times_the_gain(gain_db: float) -> None:
    played, report = play_array(wave(), RATE, ChainSettings(gain_db))
    np.testing.assert_allclose(played, wave().astype(np.float64) * 10 ** (gain_db / 20), rtol=2e-7)
    assert report == LimiterReport()


def test_without_a_limiter_gain_may_pass_full_scale() -> None:
    played, _ = play_array(wave(peak=1.0), RATE, ChainSettings(6.0))
    assert np.abs(played).max() == pytest.approx(10 ** (6 / 20))


def test_the_limiter_comes_after_the_gain() -> None:
    """Down by 12 dB a loud file needs no limiter; up by 12 dB a quiet one does."""
    _, cut = play_array(wave(peak=1.5), RATE, ChainSettings(-12.0, LIMITER))
    assert cut.max_reduction_db == 0.0
    raised, boost = play_array(wave(peak=0.5), RATE, ChainSettings(12.0, LIMITER))
    assert boost.max_reduction_db == pytest.approx(12.0 + 20 * np.log10(0.5) + 1.0, abs=1.0)
    by_hand, _ = limit_array(wave(peak=0.5) * np.float32(10 ** (12.0 / 20)), RATE, LIMITER)
    assert np.array_equal(raised, by_hand)


@pytest.mark.parametrize("limiter", [None, LIMITER, LimiterSettings(-0.1, "sample", 3.0, 150.0)])
def test_the_converter_comes_last(limiter: LimiterSettings | None) -> None:
    """After gain and limiter: what leaves them is what it clips, and a turned-down track is not clipped."""
    samples = wave(peak=0.9)
    before, _ = play_array(samples, RATE, ChainSettings(6.0, limiter))
    after, _ = play_array(samples, RATE, ChainSettings(6.0, limiter, 0.0))
    assert np.array_equal(after, convert_array(before, 0.0))
    # a limiter that holds the wave itself at −1 dBTP leaves it nothing to clip
    assert np.array_equal(after, before) is (limiter is LIMITER)
    down, _ = play_array(samples, RATE, ChainSettings(-6.0, limiter, 0.0))
    assert np.array_equal(down, play_array(samples, RATE, ChainSettings(-6.0, limiter))[0])


@pytest.mark.parametrize("size", [777, 32_768, 40_000])
def test_any_block_size_gives_the_same_samples(size: int) -> None:
    """Rests on the fixed segments that the chain cuts a stream into: the same products, whatever is read."""
    samples = wave()
    whole, first = play_array(samples, RATE, ChainSettings(9.0, LIMITER))
    report = LimiterReport()
    blocks = [samples[start : start + size] for start in range(0, samples.shape[0], size)]
    pieces = list(play(blocks, RATE, 2, ChainSettings(9.0, LIMITER), report))
    assert np.array_equal(np.concatenate(pieces), whole)
    assert report == first
    assert report.max_reduction_db > 1.0


@pytest.mark.parametrize("limiter", [None, LIMITER])
def test_the_input_is_not_written_to(limiter: LimiterSettings | None) -> None:
    samples = wave(peak=1.5)
    before = samples.copy()
    play_array(samples, RATE, ChainSettings(3.0, limiter))
    assert np.array_equal(samples, before)


@pytest.mark.parametrize("limiter", [None, LIMITER])
@pytest.mark.parametrize("shape", [(0, 2), (5, 2), (5,), (70_000,), (100, 6)])
def test_the_shape_stays(shape: tuple[int, ...], limiter: LimiterSettings | None) -> None:
    samples = np.full(shape, 0.9, dtype=np.float32)
    assert play_array(samples, RATE, ChainSettings(6.0, limiter))[0].shape == shape


def test_a_report_is_not_needed() -> None:
    pieces = list(play([wave(0.1)], RATE, 2, ChainSettings(9.0, LIMITER)))
    assert sum(piece.shape[0] for piece in pieces) == 4_800


def test_settings_cross_a_process_border_and_can_be_keys() -> None:
    this = ChainSettings(3.0, LIMITER)
    assert pickle.loads(pickle.dumps(this)) == this
    assert {this: 1}[ChainSettings(3.0, LIMITER)] == 1
