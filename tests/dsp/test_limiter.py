"""The limiter holds its ceiling, keeps its place in time and leaves alone what needs no holding."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support import ebu_signals, signals
from support.true_peak_reference import true_peak_dbtp

from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import LimiterReport, limit, limit_array
from simulator.dsp.segments import SEGMENT_FRAMES

RATE = 44_100
METER_TOLERANCE_DB = 0.05
"""The project's bound; the 32× meter itself under-reads by 0.009 dB at 0.45 fs (BS.1770-5 Annex 2)."""


def settings(
    detection: str = "sample", ceiling_db: float = -1.0, look_ahead_ms: float = 3.0, release_ms: float = 150.0
) -> LimiterSettings:
    return LimiterSettings(ceiling_db, detection, look_ahead_ms, release_ms)  # type: ignore[arg-type]


def gain(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


def music(sample_rate: int, seconds: float = 2.0) -> NDArray[np.float64]:
    """Music-like (frames, 2), peak 0 dBFS: falling drums with a noise attack on both sides of the beat, a
    chord, a bed of pink noise; independent in the channels, band-limited to 0.45 fs."""
    count = signals.frames_of(seconds, sample_rate)
    time = np.arange(count) / sample_rate
    channels = []
    for side in range(2):
        wave = 0.05 * signals.pink_noise(count, 10 + side, sample_rate)
        wave += sum(0.06 * np.sin(2 * np.pi * f * time + side) for f in (220.0, 277.2, 329.6, 2217.5))
        for beat in range(int(seconds * 4)):
            start = beat * sample_rate // 4
            local = time[: min(count - start, sample_rate // 4)]
            hit = 0.7 * np.sin(2 * np.pi * (50 * local + 3 * (1 - np.exp(-30 * local)))) * np.exp(-8 * local)
            noise = signals.white_noise(local.shape[0], 100 * side + beat)
            hit += (0.1 + 0.3 * (beat % 2)) * noise * np.exp(-150 * local)
            wave[start : start + local.shape[0]] += hit
        channels.append(signals.band_limited(wave))
    both = np.stack(channels, axis=1)
    return both / np.abs(both).max()


def material(name: str, sample_rate: int) -> NDArray[np.float32]:
    """Test signals by name, most of them band-limited to 0.45 fs."""
    count = 2 * sample_rate
    if name.startswith("Tech 3341 case"):  # peak cases, raised by 6 dB
        case = int(name.split()[-1])
        make = ebu_signals.steady_peak if case < 20 else ebu_signals.burst_peak
        made = make(case, sample_rate) * gain(6.0)
    elif name.startswith("music"):
        made = music(sample_rate) * gain(float(name.split()[1]))
    elif name == "clicks":
        made = signals.band_limited(signals.click_train(sample_rate, 2.0, 0.2)) * gain(9.0)
    elif name == "single clicks":  # their wave is a row of sinc pulses: its peaks are the samples
        made = signals.click_train(sample_rate, 2.0, 0.2) * gain(6.0)
    elif name == "clipped pink noise":  # a stand-in for an over-limited master, then raised
        noise = signals.clipped_noise(signals.pink_noise(count, 5, sample_rate), 12.0)
        made = signals.band_limited(noise) * gain(6.0)
    else:
        assert name == "white noise"
        made = signals.band_limited(signals.white_noise(count, 6))
    return made.astype(np.float32)


NAMES = [
    *(f"Tech 3341 case {case}" for case in range(15, 24)),
    "music 3",
    "music 9",
    "clicks",
    "single clicks",
    "clipped pink noise",
    "white noise",
]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("look_ahead_ms", [1.0, 3.0])
def test_true_peak_detection_holds_the_wave_between_the_samples(name: str, look_ahead_ms: float) -> None:
    """At most ceiling + 0.05 dB by an independent 32× meter of 128 taps a phase."""
    limited, _ = limit_array(material(name, RATE), RATE, settings("true", -1.0, look_ahead_ms, 100.0))
    peak = true_peak_dbtp(limited, 32)
    assert peak is not None
    assert peak <= -1.0 + METER_TOLERANCE_DB


@pytest.mark.parametrize("sample_rate", [8_000, 48_000, 96_000])
@pytest.mark.parametrize("name", ["music 9", "Tech 3341 case 19", "Tech 3341 case 22"])
def test_true_peak_detection_holds_at_other_rates(name: str, sample_rate: int) -> None:
    limited, _ = limit_array(material(name, sample_rate), sample_rate, settings("true"))
    peak = true_peak_dbtp(limited)
    assert peak is not None
    assert peak <= -1.0 + METER_TOLERANCE_DB


def test_true_peak_detection_brings_down_no_more_than_it_must() -> None:
    """A steady sine that stands 9 dB over comes out at the ceiling, not below it."""
    wave = ebu_signals.steady_peak(19, RATE, seconds=1.0) * gain(6.0)
    limited, report = limit_array(wave, RATE, settings("true"))
    assert true_peak_dbtp(limited) == pytest.approx(-1.0, abs=0.01)
    assert report.max_reduction_db == pytest.approx(20 * np.log10(1.41) + 7.0, abs=0.02)


def test_a_look_ahead_of_a_few_frames_lets_the_moving_gain_add_a_little() -> None:
    """0.1 ms is the shortest a profile may ask for: so fast a gain has sidebands of its own."""
    limited, _ = limit_array(material("clipped pink noise", RATE), RATE, settings("true", -1.0, 0.1, 10.0))
    over = (true_peak_dbtp(limited, 32) or 0.0) + 1.0
    print(f"0.1 ms look-ahead, 10 ms release: {over:+.3f} dB over the ceiling")
    assert over < 0.15  # measured +0.06


def test_even_a_look_ahead_of_one_frame_binds_the_frames_on_both_sides_of_a_peak() -> None:
    burst = (ebu_signals.burst_peak(20, RATE) * gain(6.0)).astype(np.float32)
    peak = true_peak_dbtp(limit_array(burst, RATE, settings("true", -1.0, 0.02, 5.0))[0], 32)
    assert peak is not None
    assert peak <= -1.0 + METER_TOLERANCE_DB


def test_full_band_clipped_noise_is_measured_and_stated(record_property: pytest.RecordProperty) -> None:
    """Up to half the sampling rate no window of finite length reads the wave exactly: no bound is given."""
    noise = (signals.clipped_noise(signals.white_noise(2 * RATE, 3), 6.0) * gain(3.0)).astype(np.float32)
    before = true_peak_dbtp(noise, 32)
    after = true_peak_dbtp(limit_array(noise, RATE, settings("true"))[0], 32)
    assert before is not None
    assert after is not None
    print(f"full-band clipped white noise: {before:+.2f} dBTP, limited to -1: {after:+.2f} dBTP")
    record_property("full_band_clipped_noise_dbtp", after)
    assert after < before - 7.0


@pytest.mark.external
def test_true_peak_detection_holds_real_music(music_files: dict[str, Path]) -> None:
    """10 s of two of the songs, raised by 9 dB over full scale."""
    for path in (music_files["madness-song"], music_files["feelings-song"]):
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        part = samples[30 * rate : 40 * rate]
        limited_to = np.stack([signals.band_limited(c) for c in part.T.astype(np.float64)], axis=1)
        raised = limited_to * gain(9.0) / np.abs(limited_to).max()
        limited, report = limit_array(raised, rate, settings("true"))
        peak = true_peak_dbtp(limited)
        assert peak is not None
        assert peak <= -1.0 + METER_TOLERANCE_DB, path.name
        assert report.max_reduction_db > 9.9


@pytest.mark.parametrize("ceiling_db", [0.0, -0.1, -1.0, -3.3, 2.0])
@pytest.mark.parametrize("name", ["music 9", "clipped pink noise", "single clicks", "white noise"])
def test_sample_detection_holds_every_sample(name: str, ceiling_db: float) -> None:
    limited, _ = limit_array(material(name, RATE), RATE, settings("sample", ceiling_db))
    top = float(np.abs(limited).max())
    assert top <= gain(ceiling_db)
    assert top >= gain(ceiling_db) * (1.0 - 1e-6)


def test_a_sample_limiter_leaves_overs_that_plain_gain_takes_away() -> None:
    """Common practice: held at 0 dBFS by its samples, music shows some tenths over between them; lowered
    by that much it reads 0.0 dBTP."""
    limited, _ = limit_array(material("music 9", RATE), RATE, settings("sample", 0.0))
    over = true_peak_dbtp(limited)
    assert over is not None
    assert over > 0.1
    assert true_peak_dbtp(limited * gain(-over)) == pytest.approx(0.0, abs=1e-5)


def plain_limiter(
    samples: NDArray[np.float64], sample_rate: int, this: LimiterSettings
) -> NDArray[np.float64]:
    """The gain in dB of each frame, by loops and float64: the docstring's five steps and nothing else."""
    level = np.abs(samples).max(axis=1)
    ahead = round(this.look_ahead_ms * sample_rate / 1000)
    rise = 10.0 / (this.release_ms * sample_rate / 1000)
    before = ahead  # frames of silence in front, so that the gain can be down in time
    wanted = np.zeros(before + len(level) + ahead)
    for n, one in enumerate(level):
        wanted[before + n] = min(0.0, this.ceiling_db - 20 * np.log10(max(one, 1e-30)))
    released, now = [], 0.0
    for n in range(before + len(level)):
        now = min(min(wanted[n : n + ahead + 1]), now + rise)
        released.append(now)
    boxes = [(ahead + 3 + i) // 3 for i in range(3)]
    smooth = np.array(released)
    for width in boxes:
        smooth = np.convolve(smooth, np.full(width, 1.0 / width))[: len(released)]
    return smooth[before:]


@pytest.mark.parametrize("look_ahead_ms", [0.1, 1.0, 5.0])
def test_the_gain_is_that_of_a_plain_loop_over_the_frames(look_ahead_ms: float) -> None:
    rate, this = 8_000, settings("sample", -6.0, look_ahead_ms, 80.0)
    wave = (music(RATE)[20_000:60_000] * 2.0).astype(np.float32)
    limited, _ = limit_array(wave, rate, this)
    expected = wave * 10.0 ** (plain_limiter(wave.astype(np.float64), rate, this)[:, np.newaxis] / 20.0)
    np.testing.assert_allclose(limited, expected, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("detection", ["sample", "true"])
def test_any_block_size_gives_the_same_samples(detection: str) -> None:
    """Rests on the fixed segments that the limiter cuts a stream into, and on the states between them."""
    wave = material("music 9", RATE)
    whole, first = limit_array(wave, RATE, settings(detection))

    def blocks(size: int) -> Iterator[NDArray[np.float32]]:
        for start in range(0, wave.shape[0], size):
            yield wave[start : start + size]

    for size in (1_000, 4_096, SEGMENT_FRAMES, 50_021):
        report = LimiterReport()
        pieces = list(limit(blocks(size), 2, RATE, settings(detection), report))
        assert np.array_equal(np.concatenate(pieces), whole), size
        assert report == first


@pytest.mark.parametrize("detection", ["sample", "true"])
@pytest.mark.parametrize(
    "frames", [1, 31, 100, 4_000, SEGMENT_FRAMES - 1, SEGMENT_FRAMES, SEGMENT_FRAMES + 5, 2 * SEGMENT_FRAMES]
)
def test_the_output_has_the_frames_of_the_input_in_place(detection: str, frames: int) -> None:
    wave = (np.random.default_rng(frames).uniform(-1, 1, (frames, 2)) * 1.5).astype(np.float32)
    wave[-1] = 1.5
    limited, _ = limit_array(wave, RATE, settings(detection, look_ahead_ms=5.0))
    assert limited.shape == wave.shape
    ratio = limited / wave
    assert np.all(ratio > 0.0)
    assert np.all(ratio <= 1.0)
    assert abs(limited[-1, 0]) <= gain(-1.0)


@pytest.mark.parametrize("detection", ["sample", "true"])
def test_no_frames_give_no_frames(detection: str) -> None:
    limited, report = limit_array(np.zeros((0, 2), dtype=np.float32), RATE, settings(detection))
    assert limited.shape == (0, 2)
    assert report == LimiterReport(0.0, 0.0, 0.0)


@pytest.mark.parametrize("detection", ["sample", "true"])
def test_where_nothing_acts_the_samples_keep_their_bits(detection: str) -> None:
    wave = material("music 0", RATE) * np.float32(0.5)
    limited, report = limit_array(wave, RATE, settings(detection))
    assert np.array_equal(limited, wave)
    assert report == LimiterReport(0.0, 0.0, 0.0)


def test_samples_at_the_ceiling_itself_are_left_alone() -> None:
    wave = np.tile(np.array([1.0, 1.0, -1.0, -1.0], dtype=np.float32), 20_000)
    limited, report = limit_array(wave, RATE, settings("sample", 0.0))
    assert np.array_equal(limited, wave)
    assert report.max_reduction_db == 0.0


@pytest.mark.parametrize("detection", ["sample", "true"])
def test_around_one_peak_the_gain_moves_only_from_the_look_ahead_to_the_end_of_the_release(
    detection: str,
) -> None:
    wave = material("music 0", RATE) * np.float32(0.1)
    place, this = 40_000, settings(detection, 0.0, 3.0, 100.0)
    wave[place] = gain(5.0)
    limited, report = limit_array(wave, RATE, this)
    moved = np.flatnonzero((limited != wave).any(axis=1))
    ahead, release = round(0.003 * RATE), round(0.050 * RATE)
    assert place - ahead - 2 <= moved[0] < place
    assert place + release < moved[-1] < place + release + 2 * ahead
    assert np.all(np.abs(limited[place]) <= 1.0)
    assert report.max_reduction_db == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("release_ms", [50.0, 200.0])
@pytest.mark.parametrize("place", [10_000, SEGMENT_FRAMES - 500])
def test_the_gain_comes_back_by_10_db_in_the_release_time_straight_in_db(
    release_ms: float, place: int
) -> None:
    """Also where the release runs on from one segment into the next."""
    wave = np.full(2 * SEGMENT_FRAMES, 0.01, dtype=np.float32)
    wave[place] = gain(12.0)
    limited, _ = limit_array(wave, RATE, settings("sample", 0.0, 1.0, release_ms))
    reduction = 20 * np.log10(limited / wave)
    start = place + round(0.001 * RATE) + 10
    later = start + round(release_ms / 1000 * RATE * 0.8)
    assert reduction[later] - reduction[start] == pytest.approx(8.0, abs=0.01)
    middle = reduction[(start + later) // 2]
    assert middle == pytest.approx((reduction[start] + reduction[later]) / 2, abs=0.005)


@pytest.mark.parametrize("detection", ["sample", "true"])
def test_both_channels_get_one_gain(detection: str) -> None:
    wave = material("music 9", RATE)
    wave[:, 1] *= 0.25
    limited, _ = limit_array(wave, RATE, settings(detection))
    heard = np.abs(wave).min(axis=1) > 1e-4
    gains = (limited.astype(np.float64) / np.where(wave == 0.0, 1.0, wave))[heard]
    np.testing.assert_allclose(gains[:, 0], gains[:, 1], rtol=2e-7)
    assert gains.min() < 0.5


def test_one_channel_is_treated_as_two_equal_ones_are() -> None:
    wave = np.ascontiguousarray(material("music 9", RATE)[:, 0])
    single, _ = limit_array(wave, RATE, settings("true"))
    double, _ = limit_array(signals.both(wave), RATE, settings("true"))
    assert single.shape == wave.shape
    assert np.array_equal(single, double[:, 0])
    assert np.array_equal(single, double[:, 1])


def test_the_report_tells_what_the_samples_tell() -> None:
    rng = np.random.default_rng(8)
    wave = (rng.choice([-1.0, 1.0], 100_000) * rng.uniform(0.1, 1.4, 100_000)).astype(np.float32)
    wave[50_000:] *= 0.5
    limited, report = limit_array(wave, RATE, settings())
    reduction = -20 * np.log10(limited.astype(np.float64) / wave)
    assert report.max_reduction_db == pytest.approx(reduction.max(), abs=1e-5)
    assert report.mean_reduction_db == pytest.approx(reduction.mean(), abs=1e-5)
    assert report.share_over_1_db == pytest.approx(np.mean(reduction > 1.0), abs=1e-4)
    assert 0.3 < report.share_over_1_db < 0.7


def test_a_block_with_other_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="stream of 2 channels"):
        list(limit([np.zeros((10, 3), dtype=np.float32)], 2, RATE, settings(), LimiterReport()))
