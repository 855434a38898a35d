"""The matched difference on constructed pairs whose figures are worked out by hand.

A pair is laid over by an alignment that is given, so that only the difference is under test. K is the
magnitude of the K-weighting at a frequency, from the coefficients of ITU-R BS.1770-5, Tables 1 and 2.
"""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.signal import lfilter, sosfreqz
from support.made_versions import Version, peaking, song
from support.signals import both, pink_noise, sine

from simulator.comparison import difference as difference_model
from simulator.comparison.align import lay_over
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference, Matched, difference_blocks, measure_difference
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array
from simulator.dsp.segments import SEGMENT_FRAMES
from simulator.metering.meter import measure_array

RATE = 48_000
TABLES = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)


def k_power(*hz: float) -> np.ndarray:
    return np.abs(sosfreqz(TABLES, np.array(hz), fs=RATE)[1]) ** 2


def given(first: Version, second: Version, offset: float = 0.0, polarity: int = 1) -> Alignment:
    return Alignment(
        kind="aligned", first_rate=RATE, second_rate=RATE, first_frames=first.shape[0],
        second_frames=second.shape[0], offset_frames=offset, polarity=polarity, gain_db=0.0, drift_ppm=0.0,
        snapped=True, null_db=None, similarity=1.0, second_best=None, confidence=1.0, candidates=(),
        delay_by_band=(), reason="",
    )  # fmt: skip


def matched(first: np.ndarray, second: np.ndarray, offset: float = 0.0, polarity: int = 1) -> Matched:
    ours, theirs = np.asarray(first, np.float32), np.asarray(second, np.float32)
    return measure_difference(ours, lay_over(theirs, ours.shape[1], given(ours, theirs, offset, polarity)))


def difference(first: np.ndarray, second: np.ndarray) -> Difference:
    return matched(first, second).difference


@pytest.fixture(scope="module")
def made() -> Version:
    return song(6.0, sample_rate=RATE)


def db(ratio: float) -> float:
    return 10.0 * float(np.log10(ratio))


def test_a_pair_that_differs_by_a_gain_costs_nothing(made: Version) -> None:
    found = difference(made, 0.37 * made)
    assert found.match_gain_db == pytest.approx(-20.0 * np.log10(0.37), abs=1e-6)
    assert found.residual_lu is not None
    assert found.residual_lu < -130.0  # float32 rounding of the softer copy
    assert (found.gain_riding_lu, found.waveform_change_lu, found.gain_riding_share) == (None, None, None)
    assert not found.tonal_balance_differs
    assert "identical" in found.reason


def test_the_same_file_leaves_nothing_at_all(made: Version) -> None:
    found = difference(made, made)
    assert found.match_gain_db == pytest.approx(0.0, abs=1e-9)
    assert found.residual_lu is None or found.residual_lu < -140.0


def test_an_added_tone_is_matched_and_measured_as_worked_by_hand() -> None:
    """o = sin 1 kHz, l = o + ε·sin 2 kHz. With k = ε²K(2 kHz)/K(1 kHz) the least-squares gain is 1/(1 + k),
    and what it leaves is k/(1 + k) of the open version's power."""
    tone, other = sine(1000.0, RATE, 8.0, -12.0), sine(2000.0, RATE, 8.0, -12.0)
    k = 0.25 * k_power(2000.0)[0] / k_power(1000.0)[0]
    found = difference(both(tone), both(tone + 0.5 * other))
    assert found.match_gain_db == pytest.approx(-2.0 * db(1.0 + k), abs=0.002)
    assert found.residual_lu == pytest.approx(db(k / (1.0 + k)), abs=0.01)


@pytest.mark.parametrize("depth_db", [1.0, 3.0, 6.0, 12.0])
def test_clipping_of_known_depth_is_waveform_change(depth_db: float) -> None:
    """A sine of 375 Hz cut at c = −depth. Its Fourier sines b_n are integrals of the cut wave; matched by
    least squares it leaves 1 − b₁²K₁/Σ b_n²K_n of the open version's power."""
    level = 10.0 ** (-depth_db / 20.0)
    wave = sine(375.0, RATE, 4.0)  # 128 frames a period: what folds over falls on its own harmonics
    found = difference(both(wave), both(np.clip(wave, -level, level)))
    turn = (np.arange(120_000) + 0.5) / 120_000 * 2.0 * np.pi
    cut = np.clip(np.sin(turn), -level, level)
    harmonics = np.arange(1, 64, 2)
    b = np.array([2.0 * np.mean(cut * np.sin(n * turn)) for n in harmonics])
    power = b * b * k_power(*(375.0 * harmonics))
    assert found.residual_lu == pytest.approx(db(1.0 - power[0] / power.sum()), abs=0.05)
    assert found.gain_riding_share is not None
    assert found.gain_riding_share < 0.002  # the edges of the file alone
    assert found.waveform_change_lu == pytest.approx(found.residual_lu, abs=0.01)
    assert not found.tonal_balance_differs


def test_clipped_noise_is_waveform_change_too() -> None:
    noise = both(0.2 * pink_noise(RATE * 6, 4, RATE))
    found = difference(noise, np.clip(noise, -0.3, 0.3))
    assert found.gain_riding_share is not None
    assert found.gain_riding_share < 0.15


def test_a_known_riding_of_the_gain_is_gain_riding() -> None:
    """l = h(t)·o with h = ±1.5 dB at 0.5 Hz, o steady noise: the least-squares gain is E[h]/E[h²] and leaves
    1 − E[h]²/E[h²]; 5th to 95th percentile of ±1.5·sin are 2 · 1.5 · sin 81°."""
    time = np.arange(RATE * 8) / RATE
    ride = 10.0 ** (1.5 * np.sin(2.0 * np.pi * 0.5 * time) / 20.0)
    noise = both(0.1 * pink_noise(time.shape[0], 9, RATE, lowest_hz=200.0))
    found = difference(noise, noise * ride[:, np.newaxis])
    assert found.match_gain_db == pytest.approx(20.0 * np.log10(ride.mean() / np.mean(ride**2)), abs=0.02)
    assert found.residual_lu == pytest.approx(db(1.0 - ride.mean() ** 2 / np.mean(ride**2)), abs=0.15)
    assert found.gain_riding_share is not None
    assert found.gain_riding_share > 0.999
    assert found.gain_riding_lu == pytest.approx(found.residual_lu, abs=0.02)
    assert found.gain_riding_range_db == pytest.approx(3.0 * np.sin(np.radians(81.0)), abs=0.05)
    assert not found.tonal_balance_differs


def test_smooth_gain_riding_may_leave_more_than_hard_clipping() -> None:
    """So the level of a difference ranks nothing."""
    noise = both(0.2 * pink_noise(RATE * 6, 4, RATE))
    time = np.arange(noise.shape[0]) / RATE
    ridden = noise * 10.0 ** (3.0 * np.sin(2.0 * np.pi * 0.5 * time) / 20.0)[:, np.newaxis]
    smooth, hard = difference(noise, ridden), difference(noise, np.clip(noise, -0.5, 0.5))
    assert smooth.residual_lu is not None
    assert hard.residual_lu is not None
    assert smooth.residual_lu > hard.residual_lu + 6.0


def test_equalising_is_said_to_be_tonal_balance_with_its_third_octaves(made: Version) -> None:
    found = difference(made, peaking(made, 3000.0, 6.0, rate=RATE))
    assert found.tonal_balance_differs
    assert found.linear_filter_share is not None
    assert found.linear_filter_share > 0.95
    assert "tonal balance differs" in found.reason
    assert "not attributed to limiting" in found.reason
    by_centre = {round(band.centre_hz): band.difference_db for band in found.third_octaves}
    low, high = by_centre[200], by_centre[3162]
    assert low is not None
    assert high is not None
    assert high - low == pytest.approx(5.8, abs=0.25)  # the bell is 6.0 dB at 3 kHz, less over a third octave
    assert low == pytest.approx(found.match_gain_db, abs=0.1)  # down there the equaliser does nothing


def test_a_filter_that_turns_the_phase_alone_is_not_called_tonal_balance(made: Version) -> None:
    poles = [1.0, -2.0 * 0.98 * np.cos(2.0 * np.pi * 200.0 / RATE), 0.98**2]  # turns once around, at 200 Hz
    passed = lfilter(poles[::-1], poles, made, axis=0)
    found = difference(made, passed)
    assert found.tonal_balance_differs
    assert "phase" in found.reason
    assert "tonal" not in found.reason


def test_limiting_is_not_taken_for_a_filter(made: Version) -> None:
    settings = LimiterSettings(ceiling_db=-1.0, detection="sample", look_ahead_ms=2.0, release_ms=80.0)
    found = difference(made, limit_array(8.0 * made, RATE, settings)[0])
    assert found.linear_filter_share is not None
    assert found.linear_filter_share < 0.5
    assert not found.tonal_balance_differs
    parts = [found.gain_riding_lu, found.waveform_change_lu]
    assert None not in parts
    total = db(sum(10.0 ** ((level or 0.0) / 10.0) for level in parts))
    assert total == pytest.approx(found.residual_lu, abs=1.0)  # the two are nearly independent


def test_the_bands_add_up_to_the_whole(made: Version) -> None:
    found = difference(made, np.clip(made, -0.1, 0.1))
    for name in ("residual_lu", "gain_riding_lu", "waveform_change_lu"):
        parts = [getattr(band, name) for band in found.bands]
        assert db(sum(10.0 ** (level / 10.0) for level in parts)) == pytest.approx(
            getattr(found, name), abs=1e-6
        )


@pytest.mark.parametrize(("hz", "band"), [(60.0, 0), (400.0, 1), (2000.0, 2), (9000.0, 3)])
def test_a_difference_stands_in_its_band(made: Version, hz: float, band: int) -> None:
    added = both(sine(hz, RATE, 6.0, -50.0))
    found = difference(made, made + added)
    levels = [one.waveform_change_lu for one in found.bands]
    assert None not in levels
    assert int(np.argmax(np.array(levels, dtype=float))) == band
    assert sorted(np.array(levels, dtype=float))[-2] < max(np.array(levels, dtype=float)) - 20.0


@pytest.mark.parametrize(("offset", "polarity"), [(0, 1), (4800, -1), (-72_000, 1)])
def test_the_audio_is_the_difference_in_the_open_versions_time(
    made: Version, offset: int, polarity: int
) -> None:
    """Its K-weighted power, by the meter that measures files, is the level that was stated."""
    cut = (polarity * np.clip(made, -0.1, 0.1)).astype(np.float32)
    other = cut[-offset:] if offset < 0 else np.concatenate([np.zeros((offset, 2), np.float32), cut])
    found = matched(made, other, offset, polarity)
    parts = {
        part: np.concatenate(list(difference_blocks(found, part)))
        for part in ("residual", "gain_riding", "waveform_change")
    }
    assert all(audio.shape == made.shape for audio in parts.values())
    outside = parts["residual"][: max(0, -offset)]
    assert not outside.any()
    gap = parts["residual"] - parts["gain_riding"] - parts["waveform_change"]
    assert np.abs(gap).max() < 1e-6
    start = max(0, -offset)
    energies = [  # whole steps of 100 ms: the meter drops an incomplete one
        measure_array(audio[start:], RATE).series.energy.mean() for audio in (parts["residual"], made)
    ]
    assert found.difference.residual_lu == pytest.approx(db(energies[0] / energies[1]), abs=0.01)
    assert found.difference.common_start_s == pytest.approx(start / RATE)


def test_a_thread_pool_gives_the_same_numbers(made: Version, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(difference_model, "PART_FRAMES", SEGMENT_FRAMES)
    cut = np.clip(made, -0.1, 0.1)
    laid = lay_over(cut, 2, given(made, cut))
    with ThreadPoolExecutor(2) as pool:
        assert (
            measure_difference(made, laid, pool.map).difference == measure_difference(made, laid).difference
        )


def test_parts_are_joined_without_a_seam(made: Version, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into many parts the same pair costs the same: the filters are warm, no frame is lost."""
    cut = np.clip(made, -0.1, 0.1)
    whole = difference(made, cut)
    monkeypatch.setattr(difference_model, "PART_FRAMES", SEGMENT_FRAMES)
    parts = matched(made, cut)
    assert len(parts.pair.parts()) >= 4
    assert parts.difference.match_gain_db == pytest.approx(whole.match_gain_db, abs=1e-6)
    for name in ("residual_lu", "gain_riding_lu", "waveform_change_lu"):
        assert getattr(parts.difference, name) == pytest.approx(getattr(whole, name), abs=1e-3)


def test_nothing_can_be_matched_to_silence(made: Version) -> None:
    found = difference(made, np.zeros_like(made))
    assert (found.match_gain_db, found.residual_lu, found.bands) == (None, None, ())
    assert "silent" in found.reason


def test_mono_is_compared_with_stereo_as_two_loudspeakers_play_it(made: Version) -> None:
    found = difference(np.repeat(made[:, :1], 2, axis=1), made[:, :1])
    assert found.match_gain_db == pytest.approx(0.0, abs=1e-6)
    assert found.residual_lu is None or found.residual_lu < -140.0


def test_the_plain_form_goes_through_json_whole(made: Version) -> None:
    found = difference(made, np.clip(made, -0.1, 0.1))
    plain = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert plain["residual_lu"] == found.residual_lu
    assert plain["bands"][0]["band"] == "below 150 Hz"
    assert plain["third_octaves"][0]["centre_hz"] == pytest.approx(50.1, abs=0.05)
