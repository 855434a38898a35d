"""Clipped runs: what was cut flat is found, what is only smooth is not."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.measure.meter import measure_array

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
