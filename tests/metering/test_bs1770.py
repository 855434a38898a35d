"""Does the meter do what ITU-R BS.1770-5 says? Coefficients, anchor, weights, gates, blocks, true peak.

Sources: BS.1770-5 Annex 1 (Tables 1 and 2: coefficients at 48 kHz; Table 3: channel weights; anchor: 997 Hz
at 0 dBFS in L, C or R alone reads −3.01), Annex 2 (true peak). Filtering is compared with scipy's sosfilt.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import sosfilt, sosfreqz
from support.signals import (
    both,
    click_train,
    clipped_noise,
    faded,
    noise_bursts,
    pink_noise,
    sine,
    tones,
    white_noise,
)
from support.true_peak_reference import true_peak_dbtp

from simulator.common.errors import AudioError
from simulator.dsp.k_weighting import k_weighting_coefficients
from simulator.dsp.segments import METER_FRAMES
from simulator.metering.measurement import Measurement, Series
from simulator.metering.meter import measure, measure_array

ALL_RATES = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
TRUE_PEAK_RATES = (44_100, 48_000, 96_000, 176_400, 192_000)

# BS.1770-5 Annex 1, Tables 1 and 2: b0 b1 b2 a0 a1 a2
TABLE_1 = (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585)
TABLE_2 = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)


def gain_db(sample_rate: int, frequency_hz: float | NDArray[np.float64]) -> NDArray[np.float64]:
    _, response = sosfreqz(k_weighting_coefficients(sample_rate), np.atleast_1d(frequency_hz), fs=sample_rate)
    return 20.0 * np.log10(np.abs(response))


def same(one: Measurement, other: Measurement) -> bool:
    """Bit for bit, series too."""
    for field in fields(Measurement):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, Series):
            if not (np.array_equal(a.energy, b.energy) and np.array_equal(a.true_peak, b.true_peak)):
                return False
        elif a != b:
            return False
    return True


def in_blocks(samples: NDArray[np.floating], size: int, sample_rate: int) -> Measurement:
    blocks = (samples[start : start + size] for start in range(0, samples.shape[0], size))
    return measure(blocks, sample_rate, samples.shape[1])


# --- K-weighting ---------------------------------------------------------------------------------------


def test_coefficients_at_48_khz_are_the_tables_of_the_standard() -> None:
    assert np.array_equal(k_weighting_coefficients(48_000), np.array([TABLE_1, TABLE_2]))


def test_coefficients_at_44_1_khz_are_the_bilinear_transform_done_again() -> None:
    """Computed apart from the program, from the same definition (all printed digits)."""
    expected = [
        [1.53088032413553, -2.65135129286719, 1.16934402632897, 1.0, -1.66390180049632, 0.71277485809363],
        [0.99956006661849, -1.99912013323699, 0.99956006661849, 1.0, -1.98916967777235, 0.98919903990713],
    ]
    np.testing.assert_allclose(k_weighting_coefficients(44_100), expected, rtol=0, atol=2e-14)


@pytest.mark.parametrize(
    ("frequency_hz", "expected_db", "tolerance_db"),
    [
        (25.0, -10.39, 0.005),
        (60.0, -2.90, 0.005),
        (100.0, -1.13, 0.005),
        (997.0, 0.6910, 0.00005),  # cancels the −0.691 of the loudness formula
        (1000.0, 0.6977, 0.00005),
        (2000.0, 3.07, 0.005),
        (10000.0, 4.04, 0.005),
    ],
)
def test_gain_at_48_khz(frequency_hz: float, expected_db: float, tolerance_db: float) -> None:
    """Computed from the standard's tables, printed digits."""
    assert gain_db(48_000, frequency_hz)[0] == pytest.approx(expected_db, abs=tolerance_db)


@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_response_at_other_rates_stays_within_0_02_db_of_the_48_khz_curve(sample_rate: int) -> None:
    frequency = np.geomspace(20.0, min(0.4 * sample_rate, 19_200.0), 2000)
    deviation = np.abs(gain_db(sample_rate, frequency) - gain_db(48_000, frequency))
    assert deviation.max() <= 0.02


@pytest.mark.parametrize("sample_rate", [16_000, 22_050, 32_000])
def test_response_at_low_rates_deviates_as_the_documentation_says(sample_rate: int) -> None:
    """Inherent in the bilinear transform: 0.55 dB at 8 kHz or 0.4 fs is the worst."""
    frequency = np.geomspace(20.0, 0.4 * sample_rate, 2000)
    deviation = np.abs(gain_db(sample_rate, frequency) - gain_db(48_000, frequency))
    assert deviation.max() <= 0.56
    assert np.abs(gain_db(sample_rate, 997.0) - 0.691)[0] < 0.1


@pytest.mark.parametrize("sample_rate", [8_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("seconds", [0.4, 3.0, 12.3])
def test_step_energies_are_those_of_sosfilt(sample_rate: int, seconds: float) -> None:
    """To 1e-9, over several segments; at 48 kHz the segments of 32,768 frames meet the 10 ms steps edge
    on edge after 10.24 s. The loud start shows what a badly carried state would leave in the quiet end."""
    noise = white_noise(round(seconds * sample_rate), seed=1)
    noise *= np.linspace(1.0, 1e-3, noise.shape[0])
    samples = noise.astype(np.float32)
    weighted = sosfilt(k_weighting_coefficients(sample_rate), samples.astype(np.float64))
    step = sample_rate // 10
    whole = samples.shape[0] // step
    expected = (weighted[: whole * step] ** 2).reshape(whole, step).mean(axis=1)
    found = measure_array(samples, sample_rate).series.energy
    assert found.shape == expected.shape
    np.testing.assert_allclose(found, expected, rtol=1e-9)


# --- Loudness ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sample_rate", [32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
@pytest.mark.parametrize(("channels", "channel"), [(1, 0), (2, 0), (2, 1), (3, 2), (5, 2), (6, 0), (6, 2)])
def test_full_scale_997_hz_in_one_front_channel_reads_minus_3_01(
    channels: int, channel: int, sample_rate: int
) -> None:
    samples = np.zeros((2 * sample_rate, channels), dtype=np.float32)
    samples[:, channel] = sine(997.0, sample_rate, 2.0)
    # ±0.005; at 32 kHz the transform's warping adds 0.003 at this frequency
    tolerance = 0.005 if sample_rate >= 44_100 else 0.01
    assert measure_array(samples, sample_rate).integrated_lufs == pytest.approx(-3.01, abs=tolerance)


@pytest.mark.parametrize(("channels", "left"), [(4, 2), (5, 3), (6, 4)])
def test_a_surround_channel_weighs_1_41(channels: int, left: int) -> None:
    for channel in (left, left + 1):
        samples = np.zeros((48_000, channels), dtype=np.float32)
        samples[:, channel] = sine(997.0, 48_000, 1.0)
        expected = -3.0103 + 10.0 * np.log10(1.41)
        assert measure_array(samples, 48_000).integrated_lufs == pytest.approx(expected, abs=0.005)


def test_the_low_frequency_channel_does_not_count() -> None:
    samples = np.zeros((48_000, 6), dtype=np.float32)
    samples[:, 0] = sine(997.0, 48_000, 1.0, -20.0)
    without = measure_array(samples, 48_000)
    samples[:, 3] = sine(60.0, 48_000, 1.0)
    full = measure_array(samples, 48_000)
    assert full.integrated_lufs == without.integrated_lufs
    assert full.max_momentary_lufs == without.max_momentary_lufs
    assert full.sample_peak_dbfs == pytest.approx(0.0, abs=0.001)  # its peaks do


def test_5_0_and_5_1_read_the_same_without_low_frequency_sound() -> None:
    five = noise_bursts(48_000, 5.0, seed=3, channels=5)
    six = np.insert(five, 3, 0.0, axis=1)
    assert measure_array(five, 48_000).integrated_lufs == measure_array(six, 48_000).integrated_lufs


@pytest.mark.parametrize("channels", [0, 7, 8, 64])
def test_a_layout_that_the_standard_does_not_know_is_refused(channels: int) -> None:
    with pytest.raises(ValueError, match=f"{channels} channels"):
        measure_array(np.zeros((4800, channels), dtype=np.float32), 48_000)


def test_one_channel_reads_3_lu_below_the_same_sound_in_two() -> None:
    noise = noise_bursts(48_000, 6.0, seed=4, channels=1)
    one, two = measure_array(noise, 48_000), measure_array(both(noise[:, 0]), 48_000)
    assert one.integrated_lufs is not None
    assert two.integrated_lufs == pytest.approx(one.integrated_lufs + 3.0103, abs=1e-4)
    assert "mono" in [warning.code for warning in one.warnings]


@pytest.mark.parametrize("sample_rate", ALL_RATES)
def test_every_rate_from_8_to_192_khz_reads_the_tone(sample_rate: int) -> None:
    """Two channels at −23 dBFS and 1 kHz: −23 LUFS ±0.1 as Tech 3341 case 1, moved by what the weighting
    itself deviates at that rate (0.12 dB at 8 kHz, 0.06 at 11.025, 0.03 and less above)."""
    deviation = float((gain_db(sample_rate, 1000.0) - gain_db(48_000, 1000.0))[0])
    assert abs(deviation) < 0.13
    found = measure_array(both(tones([(-23.0, 4.0)], sample_rate)), sample_rate)
    assert found.duration_s == pytest.approx(4.0)
    assert found.series.energy.shape == (40,)
    assert found.integrated_lufs == pytest.approx(-23.0 + deviation, abs=0.02)
    assert found.max_short_term_lufs == pytest.approx(-23.0 + deviation, abs=0.02)
    assert found.true_peak_dbtp == pytest.approx(-23.0, abs=0.1)
    assert found.crest_factor_db == pytest.approx(3.01, abs=0.01)
    assert found.peak_to_loudness_db == pytest.approx(-deviation, abs=0.1)


def test_the_incomplete_last_block_is_dropped() -> None:
    """0.45 s of tone has one whole block; the 0.05 s after it, here far louder, count nothing."""
    quiet, loud = sine(1000.0, 48_000, 0.4, -30.0), sine(1000.0, 48_000, 0.0999, 0.0)
    alone = measure_array(quiet, 48_000)
    followed = measure_array(np.concatenate([quiet, loud]), 48_000)
    # streams of two lengths: a linear-algebra library may add up in another order for other shapes
    assert followed.integrated_lufs == pytest.approx(alone.integrated_lufs, abs=1e-9)


def test_the_relative_gate_leaves_out_what_is_more_than_10_lu_below_and_keeps_what_is_less() -> None:
    """Hand-computed: loud part alone; or energy mean of both parts. Tones of whole steps, blocks across the
    seam are 3 of about 200, worth under 0.06 LU."""
    for below, expected in ((13.0, -20.0), (9.0, 10.0 * np.log10((1.0 + 10.0**-0.9) / 2.0) - 20.0)):
        samples = both(tones([(-20.0, 10.0), (-20.0 - below, 10.0)], 48_000))
        assert measure_array(samples, 48_000).integrated_lufs == pytest.approx(expected, abs=0.08)


def test_the_absolute_gate_stands_at_minus_70() -> None:
    for level, counted in ((-69.9, True), (-70.2, False)):
        found = measure_array(both(tones([(level, 2.0)], 48_000)), 48_000)
        assert (found.integrated_lufs is not None) is counted


# --- What cannot be measured ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("samples", "code"),
    [
        (np.zeros((96_000, 2)), "silent"),
        (np.zeros((0, 2)), "silent"),
        (both(sine(1000.0, 48_000, 0.3999, -20.0)), "too_short"),
        (both(sine(1000.0, 48_000, 5.0, -80.0)), "all_gated"),
    ],
    ids=["silence", "no frames", "under 400 ms", "all gated"],
)
def test_what_has_no_loudness_gives_none_and_says_why(samples: NDArray[np.float64], code: str) -> None:
    found = measure_array(samples, 48_000)
    assert code in [warning.code for warning in found.warnings]
    assert found.integrated_lufs is None
    assert found.peak_to_loudness_db is None
    assert found.loudness_range_lu is None
    assert found.quietest_passage_lufs is None
    for field in fields(Measurement):
        value = getattr(found, field.name)
        for number in value if isinstance(value, tuple) else (value,):
            assert not isinstance(number, float) or np.isfinite(number), field.name


def test_silence_has_no_peak_either() -> None:
    found = measure_array(np.zeros((96_000, 2)), 48_000)
    assert (found.sample_peak_dbfs, found.true_peak_dbtp, found.true_peak_at_s) == (None, None, None)
    assert (found.max_momentary_lufs, found.max_short_term_lufs) == (None, None)
    assert (found.crest_factor_db, found.correlation) == (None, None)


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (np.nan, "NaN"),
        (np.inf, "infinite"),
        (-np.inf, "infinite"),
        (1e7, "full scale"),
        (-3e38, "full scale"),
    ],
)
def test_a_sample_that_is_no_number_is_named_with_its_time(value: float, word: str) -> None:
    samples = noise_bursts(48_000, 4.0, seed=8)
    samples[round(2.55 * 48_000), 1] = value
    with pytest.raises(AudioError, match=rf"0:02\.5 in channel R is .*{word}"):
        measure_array(samples, 48_000)


# --- Invariances ---------------------------------------------------------------------------------------


def test_measuring_again_gives_the_same_bits() -> None:
    samples = noise_bursts(48_000, 5.0, seed=9)
    assert same(measure_array(samples, 48_000), measure_array(samples, 48_000))


@pytest.mark.parametrize("size", [107, 1000, 32768, 65536, 44_100, METER_FRAMES])
@pytest.mark.parametrize("channels", [1, 2])
def test_the_block_size_does_not_change_a_bit(size: int, channels: int) -> None:
    """Rests on the fixed segments, so that each product has the same shape. Longer than the meters' own, so
    that one edge of theirs lies within."""
    samples = noise_bursts(44_100, 7.1, seed=10, channels=channels) * np.float32(6.0)
    assert samples.shape[0] > METER_FRAMES
    whole = measure_array(samples, 44_100)
    assert whole.over_count
    assert same(in_blocks(samples, size, 44_100), whole)


def test_two_threads_do_not_change_a_bit() -> None:
    """The channels may be worked on at the same time."""
    samples = noise_bursts(48_000, 5.0, seed=16) * np.float32(6.0)
    with ThreadPoolExecutor(2) as threads:
        assert same(measure_array(samples, 48_000, each=threads.map), measure_array(samples, 48_000))


def test_single_frames_as_blocks_do_not_change_a_bit() -> None:
    samples = noise_bursts(8_000, 1.0, seed=11)
    assert same(in_blocks(samples, 1, 8_000), measure_array(samples, 8_000))


def test_blocks_of_no_frames_and_of_mixed_sizes_do_not_change_a_bit() -> None:
    samples = noise_bursts(48_000, 6.0, seed=12)
    edges = [0, 0, 5, 32768, 32768, 65536, 131072, 131073, METER_FRAMES + 9, samples.shape[0]]
    blocks = [samples[a:b] for a, b in pairwise(edges)]
    assert same(measure(blocks, 48_000, 2), measure_array(samples, 48_000))


@pytest.mark.parametrize("shift_db", [-12.0, 6.0])
def test_gain_moves_levels_by_itself_and_leaves_ratios(shift_db: float) -> None:
    """5e-5: the samples are float32."""
    samples = noise_bursts(48_000, 8.0, seed=13)
    one = measure_array(samples, 48_000)
    other = measure_array(samples * np.float32(10.0 ** (shift_db / 20.0)), 48_000)
    moved = ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "quietest_passage_lufs")
    for name in (*moved, "sample_peak_dbfs", "true_peak_dbtp"):
        assert getattr(other, name) == pytest.approx(getattr(one, name) + shift_db, abs=5e-5), name
    for name in ("loudness_range_lu", "peak_to_loudness_db", "median_peak_to_short_term_db"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), abs=5e-5), name
    assert other.crest_factor_db == pytest.approx(one.crest_factor_db, abs=5e-5)
    shifted = one.with_gain(shift_db)
    for name in (*moved, "loudness_range_lu", "true_peak_dbtp", "min_peak_to_short_term_db"):
        assert getattr(shifted, name) == pytest.approx(getattr(other, name), abs=5e-5), name


def test_repeating_a_programme_leaves_its_loudness() -> None:
    """0.05 LU: the three blocks across the seam are new."""
    once = noise_bursts(48_000, 12.0, seed=14)
    found = measure_array(np.concatenate([once, once]), 48_000).integrated_lufs
    assert found == pytest.approx(measure_array(once, 48_000).integrated_lufs, abs=0.05)


def test_the_order_of_left_and_right_does_not_matter() -> None:
    samples = noise_bursts(48_000, 5.0, seed=15)
    one, other = measure_array(samples, 48_000), measure_array(samples[:, ::-1], 48_000)
    assert other.integrated_lufs == pytest.approx(one.integrated_lufs, abs=1e-12)
    assert other.true_peak_dbtp == one.true_peak_dbtp


# --- True peak -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("sample_rate", TRUE_PEAK_RATES)
@pytest.mark.parametrize("share", [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45])
def test_true_peak_of_sines_is_within_0_05_db_of_the_analytic_truth_at_any_phase(
    share: float, sample_rate: int
) -> None:
    """A sine of amplitude 1 peaks at 0 dBTP wherever its samples fall; raised-cosine fades of 30 ms keep
    its band narrow. The frequency is moved off the rational share a little, and the phase swept."""
    frames = round(0.1 * sample_rate)
    n = np.arange(frames)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.minimum(1.0, np.minimum(n, frames - 1 - n) / (0.3 * frames)))
    for phase in np.arange(0.0, 180.0, 22.5):
        exact = ramp * np.sin(2.0 * np.pi * share * n + np.radians(phase))
        found = measure_array(exact, sample_rate).true_peak_dbtp
        assert found == pytest.approx(0.0, abs=0.05), f"phase {phase}"


PEAKY = {
    "clipped pink noise": both(clipped_noise(pink_noise(48_000, seed=20), 12.0)),
    "clipped white noise": both(clipped_noise(white_noise(48_000, seed=21), 6.0)),
    "clicks": both(click_train(48_000, 1.0)),
    "a sine at fs/4 and 45 degrees": both(faded(sine(12_000.0, 48_000, 1.0, 0.0, 45.0), 48_000)),
    "one sample": np.eye(1, 1000, 500).T,
    "the first sample": np.eye(1, 1000, 0).T,
    "the last sample": np.eye(1, 1000, 999).T,
    "a step to full scale": np.ones((1000, 2)),
    "the least that is no silence": np.full((1000, 1), 1.01e-10),
}


@pytest.mark.parametrize("name", PEAKY)
def test_true_peak_is_never_below_the_sample_peak(name: str) -> None:
    found = measure_array(PEAKY[name], 48_000)
    assert found.true_peak_dbtp is not None
    assert found.sample_peak_dbfs is not None
    assert found.true_peak_dbtp >= found.sample_peak_dbfs


@pytest.mark.parametrize(
    ("name", "least_db"), [("clipped pink noise", 2.0), ("a sine at fs/4 and 45 degrees", 2.9)]
)
def test_true_peak_stands_well_over_the_samples_where_it_should(name: str, least_db: float) -> None:
    found = measure_array(PEAKY[name], 48_000)
    assert found.true_peak_dbtp is not None
    assert found.sample_peak_dbfs is not None
    assert found.true_peak_dbtp - found.sample_peak_dbfs > least_db


def test_true_peak_of_a_single_sample_and_of_silence_around_it() -> None:
    """The wave through one sample is a sinc: its peak is the sample."""
    found = measure_array(PEAKY["one sample"], 48_000)
    assert found.true_peak_dbtp == pytest.approx(0.0, abs=1e-6)
    assert found.true_peak_at_s == pytest.approx(500 / 48_000, abs=0.25 / 48_000)


@pytest.mark.parametrize("at_frame", [60, 32_768 - 30, 32_768, 32_768 + 30, 65_500, 99_900])
def test_true_peak_is_found_and_placed_wherever_it_lies(at_frame: int) -> None:
    """Across the segments' borders too: a burst peaking between two samples, at a known place."""
    n = np.arange(100_000)
    centre = at_frame + 0.5
    burst = np.cos(2.0 * np.pi * 0.2 * (n - centre)) * np.exp(-(((n - centre) / 12.0) ** 2))
    quiet = 1e-3 * white_noise(100_000, seed=22)
    found = measure_array(burst + quiet, 48_000)
    assert found.true_peak_dbtp == pytest.approx(0.0, abs=0.05)
    assert found.true_peak_at_s == pytest.approx(centre / 48_000, abs=0.26 / 48_000)
    assert found.true_peak_dbtp == pytest.approx(true_peak_dbtp(burst + quiet, 32), abs=0.01)
