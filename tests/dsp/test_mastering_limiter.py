"""The mastering limiter against the properties that define one: ceiling, transparency, smoothness, image, and
a release that follows the programme."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals
from support.true_peak_reference import true_peak_dbtp

from simulator.common.units import db_to_gain
from simulator.dsp.mastering_limiter import KNEE, ActionReport, MasteringSettings, master_blocks, soft_clipped
from simulator.dsp.segments import SEGMENT_FRAMES
from simulator.metering.meter import measure_array
from simulator.normalizer.decision import decide
from simulator.rungs.search import envelope

RATE = 44_100
TRUE_PEAK_TOLERANCE_DB = 0.05
"""The project's bound for band-limited material (BS.1770-5 Annex 2: the 16× meter under-reads by 0.03)."""


def mastered(
    samples: NDArray[np.floating], drive_db: float, settings: MasteringSettings, rate: int = RATE
) -> tuple[NDArray[np.float32], ActionReport]:
    report = ActionReport()
    given = samples[:, np.newaxis] if samples.ndim == 1 else samples
    blocks = master_blocks([given], given.shape[1], rate, drive_db, settings, report)
    return np.concatenate(list(blocks)), report


def bursts(seconds: float = 3.0, rate: int = RATE) -> NDArray[np.float32]:
    """Hits over a bed of pink noise, band-limited to 0.45 fs, stereo, peak 0 dBFS."""
    count = signals.frames_of(seconds, rate)
    time = np.arange(count) / rate
    sides = []
    for side in (0, 1):
        wave = 0.05 * signals.pink_noise(count, 40 + side, rate)
        for beat in range(int(seconds * 4)):
            local = time[: min(rate // 4, count - beat * rate // 4)]
            hit = np.sin(2 * np.pi * 55.0 * local) * np.exp(-9.0 * local)
            hit += 0.5 * signals.white_noise(local.shape[0], 7 * beat + side) * np.exp(-120.0 * local)
            wave[beat * rate // 4 : beat * rate // 4 + local.shape[0]] += hit
        sides.append(signals.band_limited(wave))
    both = np.stack(sides, axis=1)
    return (both / np.abs(both).max()).astype(np.float32)


@pytest.mark.parametrize("style", ["limit", "clip-limit"])
@pytest.mark.parametrize("detection", ["true", "sample"])
@pytest.mark.parametrize("drive_db", [0.0, 6.0, 18.0])
def test_no_sample_is_above_the_ceiling(style: str, detection: str, drive_db: float) -> None:
    settings = MasteringSettings(-1.0, detection, style)  # type: ignore[arg-type]
    out, _ = mastered(bursts(), drive_db, settings)
    assert float(np.abs(out).max()) <= db_to_gain(-1.0)


@pytest.mark.parametrize("style", ["limit", "clip-limit"])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_wave_between_the_samples_is_held_by_an_independent_meter(style: str, rate: int) -> None:
    settings = MasteringSettings(-1.0, "true", style)  # type: ignore[arg-type]
    out, _ = mastered(bursts(2.0, rate), 9.0, settings, rate)
    peak = true_peak_dbtp(out)
    assert peak is not None
    assert peak <= -1.0 + TRUE_PEAK_TOLERANCE_DB


def test_sample_peak_limiting_lets_the_wave_rise_between_the_samples() -> None:
    """The negative control of the test above: the material would go over."""
    out, _ = mastered(bursts(), 9.0, MasteringSettings(-1.0, "sample"))
    peak = true_peak_dbtp(out)
    assert peak is not None
    assert peak > -1.0 + 2.0 * TRUE_PEAK_TOLERANCE_DB


def test_below_the_ceiling_every_bit_stays() -> None:
    quiet = bursts() * np.float32(db_to_gain(-4.0))
    out, report = mastered(quiet, 0.0, MasteringSettings(-1.0))
    assert np.array_equal(out, quiet)
    assert report.max_reduction_db == report.mean_reduction_db == report.share_over_3_db == 0.0


@pytest.mark.parametrize("size", [1000, SEGMENT_FRAMES, 3 * SEGMENT_FRAMES + 17])
@pytest.mark.parametrize("style", ["limit", "clip-limit"])
def test_any_block_size_gives_the_same_samples(size: int, style: str) -> None:
    """Rests on the fixed segments that the limiter cuts a stream into, and on the states between them."""
    samples, settings = bursts(5.0), MasteringSettings(-1.0, "true", style)  # type: ignore[arg-type]
    blocks = [samples[start : start + size] for start in range(0, samples.shape[0], size)]
    report = ActionReport()
    out = np.concatenate(list(master_blocks(blocks, 2, RATE, 8.0, settings, report)))
    whole, other = mastered(samples, 8.0, settings)
    assert np.array_equal(out, whole)
    assert out.shape == samples.shape
    assert report.share_over_3_db == other.share_over_3_db > 0.0
    assert report.mean_reduction_db == other.mean_reduction_db


def test_the_stereo_image_is_unmoved() -> None:
    """One gain for both channels: where it acts, right/left stays what it was, to float32's rounding."""
    samples = bursts()
    samples[:, 1] *= np.float32(0.3)
    out, report = mastered(samples, 8.0, MasteringSettings(-1.0))
    assert report.max_reduction_db > 5.0
    left = out[:, 0].astype(np.float64) * samples[:, 1]
    right = out[:, 1].astype(np.float64) * samples[:, 0]
    assert np.allclose(left, right, rtol=1e-6, atol=1e-12)


def reduction_of(levels_db: NDArray[np.floating], settings: MasteringSettings) -> NDArray[np.float64]:
    """The reduction in dB at each frame of a signal whose magnitude is given (alternating signs at random, so
    that the gain can be read off at every sample)."""
    signs = np.sign(signals.white_noise(levels_db.shape[0], 3) + 1e-9)
    samples = (signs * 10.0 ** (levels_db / 20.0)).astype(np.float32)
    out, _ = mastered(samples, 0.0, settings)
    ratio = np.abs(samples.astype(np.float64)) / np.abs(out[:, 0].astype(np.float64))
    taken: NDArray[np.float64] = 20.0 * np.log10(ratio)
    return taken


def test_the_gain_moves_smoothly() -> None:
    """A step of 12 dB is spread over the look-ahead by three boxes of a third of it each. Their joint kernel
    is a quadratic spline: at most 3/4 of a box's height, and it changes by at most 1/width² a sample."""
    settings = MasteringSettings(-6.0, "sample")
    levels = np.full(RATE, -20.0)
    levels[RATE // 3 : RATE // 2] = 6.0
    taken = reduction_of(levels, settings)
    width = settings.look_ahead_ms * RATE / 1000.0 / 3.0
    assert taken.max() == pytest.approx(12.0, abs=0.001)
    assert np.abs(np.diff(taken)).max() <= 0.75 * 12.0 / width * 1.02
    assert np.abs(np.diff(taken, 2)).max() <= 12.0 / width**2 * 1.05


def test_a_single_peak_comes_back_fast_and_a_sustained_reduction_slowly() -> None:
    settings = MasteringSettings(-6.0, "sample")
    begin = RATE // 2

    def after(length_s: float, milliseconds: float) -> float:
        levels = np.full(3 * RATE, -20.0)
        end = begin + max(1, round(length_s * RATE))
        levels[begin:end] = 2.0  # 8 dB over
        return float(reduction_of(levels, settings)[end + round(milliseconds * RATE / 1000.0)])

    # hold 10 ms, 8 dB at 10 dB in 40 ms, look-ahead 4 ms
    assert after(0.0, 50.0) < 1.2
    assert after(1.0, 50.0) > 6.0
    assert 1.0 < after(1.0, 400.0) < 7.0
    assert after(1.0, 1000.0) < 0.1
    assert after(0.0, 700.0) < 0.01


def test_what_is_sustained_follows_the_programme_between_the_two() -> None:
    """The longer the reduction lasted (up to 300 ms), the more of it comes back slowly."""
    settings = MasteringSettings(-6.0, "sample")
    left = []
    for length_s in (0.001, 0.05, 0.15, 0.3, 0.6):
        levels = np.full(2 * RATE, -20.0)
        end = RATE // 2 + round(length_s * RATE)
        levels[RATE // 2 : end] = 2.0
        left.append(reduction_of(levels, settings)[end + round(0.06 * RATE)])
    assert left == sorted(left)
    assert left[-1] > left[0] + 4.0


@pytest.mark.parametrize(
    ("hz", "most_percent"), [(50.0, 0.001), (100.0, 0.001), (1000.0, 0.001), (10_000.0, 0.001)]
)
@pytest.mark.parametrize("detection", ["true", "sample"])
def test_a_full_scale_sine_driven_6_db_over_stays_a_sine(
    hz: float, most_percent: float, detection: str
) -> None:
    """Everything but the fundamental, as a share of it (THD+N), over whole cycles, after a second.
    Measured at 44.1 kHz: below 0.00005 % for each. The hold and the look-ahead span half a cycle of 36 Hz;
    below that the gain ripples with the wave (see the next test)."""
    settings = MasteringSettings(-1.0, detection)  # type: ignore[arg-type]
    assert distortion_percent(hz, settings) <= most_percent


def test_below_36_hz_the_distortion_is_stated_and_bounded() -> None:
    """Measured: 0.30 % at 25 Hz, 0.04 % at 30 Hz; a longer hold would mend it, at a cost in loudness."""
    assert 0.1 < distortion_percent(25.0, MasteringSettings(-1.0, "sample")) < 0.4


def distortion_percent(hz: float, settings: MasteringSettings) -> float:
    time = np.arange(3 * RATE) / RATE
    wave = np.sin(2.0 * np.pi * hz * time).astype(np.float32)
    out = mastered(wave, 6.0, settings)[0][RATE : 2 * RATE, 0].astype(np.float64)
    table = np.stack([np.sin(2 * np.pi * hz * time[:RATE]), np.cos(2 * np.pi * hz * time[:RATE])], axis=1)
    found = np.linalg.lstsq(table, out, rcond=None)[0]
    rest = out - table @ found
    return 100.0 * float(np.sqrt(np.mean(rest**2) / np.mean((table @ found) ** 2)))


def test_a_lower_output_is_plain_gain_and_nothing_is_lost_as_played(minus14_down: object) -> None:
    """True peak and loudness fall by exactly as much; a player that turns both down plays them the same."""
    samples = bursts(8.0)
    before, report = mastered(samples, 12.0, MasteringSettings(-1.0))
    after, other = mastered(samples, 12.0, MasteringSettings(-1.0, output_gain_db=-0.7))
    assert np.array_equal(after, before * np.float32(db_to_gain(-0.7)))
    assert (report.max_reduction_db, report.share_over_1_db) == (
        other.max_reduction_db,
        other.share_over_1_db,
    )
    loud, lower = measure_array(before, RATE), measure_array(after, RATE)
    for name in ("integrated_lufs", "true_peak_dbtp", "max_short_term_lufs"):
        assert getattr(lower, name) == pytest.approx(getattr(loud, name) - 0.7, abs=1e-4)  # float32 rounding
    gains = [decide(minus14_down, one).gain_db for one in (loud, lower)]  # type: ignore[arg-type]
    assert gains[0] < gains[1] < 0.0
    played = [one.with_gain(gain) for one, gain in zip((loud, lower), gains, strict=True)]
    assert played[0].integrated_lufs == pytest.approx(played[1].integrated_lufs, abs=1e-4)
    assert played[0].max_short_term_lufs == pytest.approx(played[1].max_short_term_lufs, abs=1e-4)
    # a lower threshold is another act: more is taken, and the peaks to loudness ratio changes
    threshold, more = mastered(samples, 12.0, MasteringSettings(-1.7))
    assert more.mean_reduction_db > report.mean_reduction_db + 0.1
    denser = measure_array(threshold, RATE).peak_to_loudness_db
    assert denser is not None
    assert loud.peak_to_loudness_db is not None
    assert denser < loud.peak_to_loudness_db - 0.05


@pytest.fixture
def minus14_down() -> object:
    from support.made_measurements import player

    return player("never")


def test_the_soft_clip_is_straight_up_to_its_knee_and_never_passes_its_ceiling() -> None:
    ramp = np.linspace(-4.0, 4.0, 8001, dtype=np.float32)
    bent = soft_clipped(ramp, 0.5)
    low = np.abs(ramp) <= KNEE * 0.5
    assert np.array_equal(bent[low], ramp[low])
    assert float(np.abs(bent).max()) <= 0.5
    assert np.all(np.diff(bent) >= 0.0)
    assert np.array_equal(bent, -bent[::-1])


def test_the_soft_clip_makes_more_loudness_with_less_reduction() -> None:
    samples = bursts(6.0)
    found = {}
    for style in ("limit", "clip-limit"):
        out, report = mastered(samples, 14.0, MasteringSettings(-1.0, "true", style))  # type: ignore[arg-type]
        found[style] = (measure_array(out, RATE).integrated_lufs or -99.0, report.max_reduction_db)
    assert found["clip-limit"][0] > found["limit"][0] + 1.0
    assert found["clip-limit"][1] < found["limit"][1]


@pytest.mark.parametrize("drive_db", [5.0, 12.0])
@pytest.mark.parametrize("frames", [500, 3 * 65_536, 200_003])
def test_known_row_peaks_change_no_sample(drive_db: float, frames: int) -> None:
    """What they leave out cannot pass the ceiling: the same limiting, but for the products' own rounding."""
    mix = np.stack([signals.pink_noise(frames, seed, RATE) for seed in (1, 2)], axis=1)
    mix = (0.4 * mix / np.abs(mix).max()).astype(np.float32)
    mix[frames // 2 : frames // 2 + 3] = 0.7
    peaks = envelope([mix], RATE, 2).peak
    settings = MasteringSettings(-1.0)
    whole, spared = (
        np.concatenate(list(master_blocks([mix], 2, RATE, drive_db, settings, ActionReport(), known)))
        for known in (None, peaks)
    )
    assert np.abs(spared - whole).max() <= 3e-7
    assert np.abs(whole - mix * np.float32(10.0 ** (drive_db / 20.0))).max() > 0.01
