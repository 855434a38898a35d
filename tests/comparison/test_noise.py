"""A steady noise of a known loudness and colour, that joins onto itself, laid under a stream."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from support import ebur128

from simulator.comparison.noise import NoiseKind, common_trim_db, laid_under, noise_bed
from simulator.metering.meter import measure_array

KINDS: tuple[NoiseKind, ...] = get_args(NoiseKind)

RATE = 48_000


def bed(kind: NoiseKind = "pink", lufs: float = -30.0, seed: int = 1, rate: int = RATE) -> np.ndarray:
    return noise_bed(np.random.default_rng(seed), kind, lufs, rate, 2, 10.0)


def octave_powers_db(wave: np.ndarray, rate: int = RATE) -> dict[float, float]:
    """Power in the octave around each frequency, in dB."""
    power = np.abs(np.fft.rfft(wave.astype(np.float64))) ** 2
    frequency = np.fft.rfftfreq(wave.shape[0], 1.0 / rate)
    centres = [62.5 * 2.0**step for step in range(8)]
    inside = [(frequency >= f / 2**0.5) & (frequency < f * 2**0.5) for f in centres]
    return {f: 10.0 * float(np.log10(power[part].sum())) for f, part in zip(centres, inside, strict=True)}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_the_bed_has_the_loudness_that_was_asked_for(kind: NoiseKind, rate: int) -> None:
    made = bed(kind, -31.5, rate=rate)
    assert (made.shape, made.dtype) == ((10 * rate, 2), np.float32)
    assert measure_array(made, rate).integrated_lufs == pytest.approx(-31.5, abs=0.005)


@pytest.mark.external
@pytest.mark.parametrize("kind", KINDS)
def test_an_independent_meter_reads_that_loudness_too(libebur128: ebur128.Library, kind: NoiseKind) -> None:
    found = libebur128.measure_all(bed(kind, -31.5), RATE)
    assert found["integrated_lufs"] == pytest.approx(-31.5, abs=0.05)


def test_pink_noise_has_equal_power_in_every_octave() -> None:
    """0.5 dB: the lowest octave has 440 bins in 10 s, whose random power scatters by 0.2 dB."""
    powers = list(octave_powers_db(bed("pink")[:, 0]).values())
    assert powers == pytest.approx([float(np.mean(powers))] * 8, abs=0.5)


def test_a_car_s_noise_falls_by_12_db_an_octave_above_its_corner() -> None:
    """Relative to pink: the low-pass alone, 1/(1 + (f/150)⁴), integrated over the octave."""
    pink, car = octave_powers_db(bed("pink")[:, 0]), octave_powers_db(bed("car")[:, 0])
    drop = {f: (car[f] - car[62.5]) - (pink[f] - pink[62.5]) for f in pink}
    for f, found in drop.items():
        grid = np.geomspace(f / 2**0.5, f * 2**0.5, 400)
        low = np.geomspace(62.5 / 2**0.5, 62.5 * 2**0.5, 400)
        expected = 10.0 * np.log10(np.mean(1 / (1 + (grid / 150) ** 4)) / np.mean(1 / (1 + (low / 150) ** 4)))
        assert found == pytest.approx(expected, abs=0.6), f
    assert drop[4000.0] - drop[2000.0] == pytest.approx(-12.0, abs=0.5)


@pytest.mark.parametrize("kind", KINDS)
def test_it_joins_onto_itself_without_a_seam(kind: NoiseKind) -> None:
    """The step from the last sample to the first is like any other."""
    made = bed(kind).astype(np.float64)
    usual = np.abs(np.diff(made, axis=0))
    assert np.abs(made[0] - made[-1]).max() < usual.max()
    twice = np.concatenate([made, made])
    middle = measure_array(twice[5 * RATE : 15 * RATE].astype(np.float32), RATE).integrated_lufs
    assert middle == pytest.approx(-30.0, abs=0.02)


def test_the_channels_are_independent_and_the_seed_decides() -> None:
    made = bed()
    assert abs(np.corrcoef(made[:, 0], made[:, 1])[0, 1]) < 0.05
    assert np.array_equal(made, bed())
    assert not np.array_equal(made, bed(seed=2))


def test_it_lies_under_the_stream_from_its_first_frame_and_is_repeated() -> None:
    made = bed()[:1000]
    music = np.full((2500, 2), 0.25, dtype=np.float32)
    out = np.concatenate(list(laid_under([music[:300], music[300:1700], music[1700:]], made, -6.0)))
    expected = (music + np.tile(made, (3, 1))[:2500]) * np.float32(10 ** (-6.0 / 20.0))
    np.testing.assert_allclose(out, expected, atol=1e-7)
    assert out.dtype == np.float32


@pytest.mark.parametrize(("highest", "loudest_noise"), [(1.0, 0.5), (0.2, 0.1), (1.2, 0.0)])
def test_with_the_trim_no_sum_passes_the_ceiling(highest: float, loudest_noise: float) -> None:
    made = np.full((4, 2), loudest_noise, dtype=np.float32)
    trim_db = common_trim_db(highest, made, -1.0)
    top = (highest + loudest_noise) * 10.0 ** (trim_db / 20.0)
    assert top <= 10.0 ** (-1.0 / 20.0) + 1e-9
    assert trim_db == 0.0 or top == pytest.approx(10.0 ** (-1.0 / 20.0))


def test_silence_needs_no_trim() -> None:
    assert common_trim_db(0.0, np.zeros((4, 2), dtype=np.float32)) == 0.0
