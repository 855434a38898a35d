"""Clipped runs: what was cut flat is found, what is only smooth is not."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.metering.meter import measure_array

RATE = 44_100
SECONDS = np.arange(2 * RATE) / RATE


def tone(frequency: float, level: float = 1.0) -> np.ndarray:
    return (level * np.sin(2.0 * np.pi * frequency * SECONDS)).astype(np.float32)


def runs(samples: np.ndarray, bits: int | None = None) -> int:
    return measure_array(samples, RATE, bits=bits).clipped_run_count


def quantised(samples: np.ndarray, bits: int) -> np.ndarray:
    step = 2.0 ** (bits - 1)
    return (np.round(samples * step) / step).astype(np.float32)


@pytest.mark.parametrize("ceiling", [1.0, 0.5], ids=["full scale", "below full scale"])
@pytest.mark.parametrize(("frequency", "per_second"), [(100.0, 200), (441.0, 882), (997.0, 1994)])
def test_every_flat_top_of_a_clipped_tone_is_a_run(ceiling: float, frequency: float, per_second: int) -> None:
    """A sine driven 6 dB over the ceiling is flat for 2/3 of each half wave: two tops a cycle. Fewer
    than 1 in 100 may be missed, where a sample happens to lie just below the ceiling beside the top."""
    found = runs(np.clip(tone(frequency, 2.0 * ceiling), -ceiling, ceiling))
    assert 0.99 * 2 * per_second - 1 <= found <= 2 * per_second + 1


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("frequency", [20.0, 52.0, 100.0, 441.0, 1000.0, 5000.0])
@pytest.mark.parametrize("level", [1.0, 0.1])
def test_a_clean_tone_has_none(bits: int | None, frequency: float, level: float) -> None:
    samples = tone(frequency, level * 0.999)
    assert runs(samples if bits is None else quantised(samples, bits), bits) == 0


@pytest.mark.parametrize("bits", [16, 24, None])
def test_noise_and_silence_have_none(bits: int | None) -> None:
    noise = np.random.default_rng(3).standard_normal(2 * RATE).astype(np.float32) * np.float32(0.1)
    noise[RATE // 2 : RATE] = 0.0
    assert runs(noise if bits is None else quantised(noise, bits), bits) == 0


def test_a_run_is_described_by_place_length_channel_and_level() -> None:
    samples = np.stack([tone(441.0, 0.5), tone(441.0, 0.5)], axis=1)
    samples[:, 1] = np.clip(samples[:, 1], -1.0, 0.4)
    run = measure_array(samples, RATE, bits=24).clipped_runs[0]
    # 0.5·sin = 0.4 at 0.295 of the half wave of 50 frames: frames 14.8 to 35.2
    assert (run.channel, round(run.start_s * RATE), run.length_frames) == (1, 15, 21)
    assert run.level_dbfs == pytest.approx(20.0 * np.log10(0.4), abs=1e-5)


def test_a_run_over_the_border_of_two_segments_is_one_run() -> None:
    samples = tone(441.0, 0.3)
    samples[32_760:32_780] = 0.8
    assert runs(samples, 24) == 1


def test_a_smooth_saturation_is_not_cut_flat() -> None:
    """tanh bends the top and leaves it round: its samples differ (bits as in a 24-bit master)."""
    assert runs(np.tanh(tone(997.0, 2.0)), 24) == 0


@pytest.mark.parametrize("at", [1_000, 262_144 - 961, 262_144 - 500, 262_144 - 480, 262_144 - 10, 262_144])
@pytest.mark.parametrize("length", [3, 960, 300_000])
def test_a_run_longer_than_what_is_looked_back_at_is_one_run_wherever_it_lies(at: int, length: int) -> None:
    samples = (0.2 * np.sin(0.05 * np.arange(3 * 262_144))).astype(np.float32)
    samples[at : at + length] = 1.0
    found = measure_array(samples, 48_000, bits=24)
    assert [(round(run.start_s * 48_000), run.length_frames) for run in found.clipped_runs] == [(at, length)]


@pytest.mark.parametrize("length", [10, 300, 960, 70_000])
def test_a_run_that_lasts_to_the_end_is_counted(length: int) -> None:
    samples = tone(351.0, 0.2)
    samples[-length:] = -1.0
    assert runs(samples, 24) == 1


def test_every_top_of_a_square_wave_is_a_run() -> None:
    """A wave that never leaves its two levels, by no more than a step."""
    square = np.sign(np.sin(2.0 * np.pi * 40.0 * (np.arange(20 * 48_000) + 0.5) / 48_000)).astype(np.float32)
    assert measure_array(square, 48_000, bits=24).clipped_run_count == 2 * 40 * 20


@pytest.mark.parametrize("bits", [16, 24, None])
def test_an_undithered_fade_has_none(bits: int | None) -> None:
    """Samples of 16 bits in a file of 24 step by 256 of its own, on every smooth top."""
    fade = np.clip(1.0 - SECONDS / 1.8, 0.0, 1.0)
    for frequency in (52.0, 110.0, 440.0):
        samples = quantised(tone(frequency, 0.9) * fade.astype(np.float32), 16)
        assert runs(samples, bits) == 0, frequency


@pytest.mark.parametrize("bits", [16, 24, None])
def test_true_cuts_count_in_samples_of_16_bits_too(bits: int | None) -> None:
    """Cut at half of full scale: two tops a cycle, none is lost."""
    samples = quantised(np.clip(tone(440.0, 0.9), -0.5, 0.5), 16)
    assert runs(samples, bits) == pytest.approx(2 * 440 * 2, abs=4)


def top_of(height: float, length: int, at: int) -> np.ndarray:
    """A crest of 30 frames cut to `length` equal samples."""
    samples = np.zeros(2 * RATE, np.float32)
    away = np.maximum(np.abs(np.arange(-15, 16)) - (length - 1) / 2, 0.0)
    samples[at - 15 : at + 16] = height * (1.0 - away / 16.0)
    return samples


def test_equal_samples_on_one_crest_far_below_the_peak_are_chance() -> None:
    """The same crest is a cut at the channel's peak, twice at one level, twice in a second, or longer."""
    peak = tone(40.0, 0.9)
    peak[RATE:] = 0.0
    crest = top_of(0.3, 3, RATE + 9_000)
    assert runs(peak + crest, 24) == 0
    assert runs(crest, 24) == 1
    assert runs(peak + crest + top_of(0.3, 3, RATE + 42_000), 24) == 2
    assert runs(peak + crest + top_of(0.2, 3, RATE + 42_000), 24) == 0
    assert runs(peak + crest + top_of(0.298, 3, RATE + 30_000), 24) == 2
    assert runs(peak + crest + top_of(0.298, 3, RATE + 30_000) + top_of(0.2, 3, RATE + 20_000), 24) == 2
    assert runs(peak + top_of(0.3, 7, RATE + 9_000), 24) == 1


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("offset", [0.1, -0.5, 1.0])
def test_a_constant_is_an_offset_and_no_cut(bits: int | None, offset: float) -> None:
    assert runs(np.full(RATE, offset, np.float32), bits) == 0
    assert runs(np.full(100, offset, np.float32), bits) == 0
    if abs(offset) < 0.99:
        held = np.zeros(2 * RATE, np.float32)
        held[RATE // 4 : RATE] = offset
        assert runs(held, bits) == 0
        assert runs(np.roll(held, -RATE // 4), bits) == 0
        assert runs(np.roll(held, RATE), bits) == 0


def test_a_cut_wave_on_an_offset_counts() -> None:
    assert runs(np.clip(tone(441.0, 0.5) + np.float32(0.1), -0.9, 0.4), 24) == 2 * 441
