"""A converter without headroom clips the wave between the samples: what comes out, and what stays."""

from __future__ import annotations

from math import asin, pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import firwin, upfirdn
from support import ebu_signals, signals
from support.in_memory import convert_array
from support.true_peak_reference import true_peak_dbtp

from simulator.dsp.segments import SEGMENT_FRAMES
from simulator.normalizer.chain import REACH, clip_in_dac

RATE = 48_000
Wave = NDArray[np.floating]


def level(value: float) -> float:
    return 20.0 * float(np.log10(value))


def fundamental(amplitude: float, limit: float) -> float:
    """Of a sine of `amplitude` cut at ±`limit`: the first term of its Fourier series."""
    share = limit / amplitude
    return 2.0 * amplitude / pi * (asin(share) + share * sqrt(1.0 - share * share))


def by_scipy(samples: Wave, limit: float, oversampling: int = 64) -> Wave:
    """An independent converter in float64: all of the wave at 64×, cut, and back, by a filter of scipy's."""
    taps = 2 * 32 * oversampling + 1
    low_pass = firwin(taps, 1.0 / oversampling, window=("kaiser", 7.857)) * oversampling
    wave = upfirdn(low_pass, samples.astype(np.float64), up=oversampling)
    wave = np.clip(wave, -limit, limit)
    low_pass /= oversampling
    back = upfirdn(low_pass, wave, down=oversampling)
    return back[64 : 64 + samples.shape[0]]


def test_a_sine_between_its_samples_comes_out_clean_at_the_fundamental_of_the_cut_one() -> None:
    """fs/4 at 45°, sample peak −0.03 dBFS, +2.98 dBTP: +1.26 dBTP and −1.75 dBFS, and nothing else in it."""
    amplitude = 10.0 ** ((-0.03 + 10.0 * np.log10(2.0)) / 20.0)
    sine = amplitude * np.sin(2.0 * np.pi * np.arange(RATE) / 4 + np.pi / 4)
    assert level(np.abs(sine).max()) == pytest.approx(-0.03, abs=1e-9)
    assert level(amplitude) == pytest.approx(2.98, abs=0.005)
    out = convert_array(sine.astype(np.float32), 0.0)[4000:44_000]
    assert level(fundamental(amplitude, 1.0)) == pytest.approx(1.262, abs=0.001)
    assert level(np.abs(out).max()) == pytest.approx(-1.75, abs=0.005)
    spectrum = np.abs(np.fft.rfft(out.astype(np.float64) * np.blackman(out.shape[0])))
    assert level(spectrum.max() / np.blackman(out.shape[0]).sum() * 2.0) == pytest.approx(1.262, abs=0.003)
    rest = np.delete(spectrum, slice(10_000 - 5, 10_000 + 6))
    assert level(rest.max() / spectrum.max()) < -100.0


@pytest.mark.parametrize("headroom_db", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 96_000])
def test_tech_3341_case_19_loses_what_lies_over_the_headroom(headroom_db: float, sample_rate: int) -> None:
    """The independent meter reads the fundamental of the cut sine, to the tolerance of the case and, beyond
    it, to 0.05 dB (the sine fades in and out: there its cut is another)."""
    samples = ebu_signals.steady_peak(19, sample_rate)
    out = convert_array(samples, headroom_db)
    expected = level(fundamental(1.41, 10.0 ** (headroom_db / 20.0)))
    assert true_peak_dbtp(out, 32) == pytest.approx(expected, abs=0.05)


def test_tech_3341_case_19_with_enough_headroom_keeps_every_bit() -> None:
    samples = ebu_signals.steady_peak(19, RATE).astype(np.float32)
    assert np.array_equal(convert_array(samples, 3.1).view(np.uint32), samples.view(np.uint32))


@pytest.mark.parametrize("case", [20, 21, 22, 23])
def test_tech_3341_cases_20_to_23_pass_and_are_cut_when_raised(case: int) -> None:
    """At 0 dBTP they need no headroom beyond the fraction of a dB that their own low-pass adds; raised by
    3 dB, the burst is cut to what scipy's filter makes of it, and the sine beside it keeps its bits."""
    samples = ebu_signals.burst_peak(case, RATE).astype(np.float32)
    assert np.array_equal(convert_array(samples, 0.05), samples)
    raised = samples * np.float32(10.0 ** (3.0 / 20.0))
    out = convert_array(raised, 0.0)
    np.testing.assert_allclose(out[:, 0], by_scipy(raised[:, 0], 1.0), atol=2e-3)
    changed = np.flatnonzero((out != raised).any(axis=1))
    over = np.flatnonzero(np.abs(raised).max(axis=1) > 0.99)
    assert 0 < changed.shape[0] < 2 * REACH + 20
    assert changed.min() > over.min() - REACH
    assert changed.max() < over.max() + REACH
    assert true_peak_dbtp(out) < true_peak_dbtp(raised) - 0.5


def test_on_clipped_noise_it_agrees_with_an_independent_converter() -> None:
    """Dense overs of up to 4 dB. 4e-4 = −68 dB: the two filters are designed and sampled differently."""
    noise = signals.clipped_noise(signals.pink_noise(40_000, 5), 12.0)
    limited = signals.band_limited(noise, 0.42).astype(np.float32)
    out = convert_array(limited, 0.0)
    expected = by_scipy(limited, 1.0)
    middle = slice(200, -200)
    assert np.abs(out - limited)[middle].max() > 0.02
    np.testing.assert_allclose(out[middle], expected[middle], atol=2e-3)
    assert level(np.sqrt(np.mean((out - expected)[middle] ** 2))) < -68.0


def test_further_than_the_filter_reaches_from_any_over_every_bit_stays() -> None:
    """Also the sign of a zero and numbers too small for float32's normal range."""
    samples = signals.noise_bursts(RATE, 2.0, seed=2) * np.float32(0.4)
    samples[::7] = -0.0
    samples[::11, 1] = 1e-42
    samples[50_000:50_002, 0] = 0.97  # two equal neighbours: the wave between them is over 1
    out = convert_array(samples, 0.0)
    changed = np.flatnonzero((out.view(np.uint32) != samples.view(np.uint32)).any(axis=1))
    assert changed.shape[0] > 0
    assert changed.min() >= 50_000 - REACH
    assert changed.max() <= 50_001 + REACH
    assert np.array_equal(out[:, 1].view(np.uint32), samples[:, 1].view(np.uint32)), "the other channel"


@pytest.mark.parametrize(
    "frames", [1, 31, 32, 33, 64, 65, 100, SEGMENT_FRAMES - 1, SEGMENT_FRAMES, SEGMENT_FRAMES + 1, 70_001]
)
def test_the_output_has_the_input_s_frames_in_place(frames: int) -> None:
    samples = signals.noise_bursts(RATE, 2.0, seed=3)[:frames] * np.float32(0.2)
    assert np.array_equal(convert_array(samples, 0.0), samples)


def test_nothing_in_nothing_out() -> None:
    assert convert_array(np.zeros((0, 2), dtype=np.float32), 0.0).shape == (0, 2)
    assert list(clip_in_dac([], 2, 0.0)) == []


@pytest.mark.parametrize("size", [1009, 32_768, 40_000])
def test_any_block_size_gives_the_same_samples(size: int) -> None:
    """Rests on the fixed segments that the converter cuts a stream into: rows and products are the same."""
    noise = np.stack(
        [signals.clipped_noise(signals.pink_noise(70_000, seed), 9.0) for seed in (1, 2)], axis=1
    )
    whole = convert_array(noise, 0.0)
    assert not np.array_equal(whole, noise.astype(np.float32))
    pieces = list(clip_in_dac((noise[at : at + size] for at in range(0, 70_000, size)), 2, 0.0))
    assert np.array_equal(np.concatenate(pieces), whole)


@pytest.mark.parametrize("place", [0, 1, 31, 32, 63, *(SEGMENT_FRAMES + k for k in (-32, -1, 0, 32)), 69_998])
def test_an_over_at_any_border_is_cut_as_in_the_middle(place: int) -> None:
    """Beside rows, segments and the ends of the stream (before and after which there is silence)."""
    samples = np.zeros(70_000, dtype=np.float32)
    samples[place : place + 2] = 0.95
    alone = np.zeros(400, dtype=np.float32)
    alone[200:202] = 0.95
    expected = np.zeros(70_400, dtype=np.float32)
    expected[place : place + 400] = convert_array(alone, 0.0)
    np.testing.assert_allclose(convert_array(samples, 0.0), expected[200:70_200], atol=1e-6)
    assert np.abs(expected - np.pad(samples, 200)).max() > 0.05


def test_a_wrong_number_of_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="2 channels"):
        list(clip_in_dac([np.zeros((5, 1))], 2, 0.0))
