"""What is said to be audible, against constructed cases whose answer is known.

Thresholds are from the literature, from memory: tone in white noise 17, 18, 20 and 23 dB above the noise's
density at 0.5, 1, 2 and 4 kHz (critical ratios: J. E. Hawkins, S. S. Stevens, JASA 22, 1950); tone in a
critical band of noise 2 to 5 dB under its level (E. Zwicker, H. Fastl, Psychoacoustics, 4.1); critical band
of noise under a tone 14.5 dB + the Bark number below it (M. R. Schroeder and others, JASA 66, 1979).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from support.made_versions import peaking
from support.signals import pink_noise

from simulator.audibility.audibility import Audibility, MomentKind
from simulator.audibility.noise_to_mask import AudibilityMeter

RATE, FRAMES = 44_100, 8 * 44_100
TIME = np.arange(FRAMES) / RATE
Signal = NDArray[np.floating]


def heard(open_: Signal, other: Signal, block: int = 65_536) -> Audibility:
    mine, theirs = (np.asarray(x, dtype=np.float32).reshape(x.shape[0], -1) for x in (open_, other))
    meter = AudibilityMeter(RATE, mine.shape[1])
    for at in range(0, mine.shape[0], block):
        meter.push(mine[at : at + block], theirs[at : at + block])
    return meter.finish()


def share(open_: Signal, other: Signal) -> float:
    found = heard(open_, other).share_audible
    assert found is not None
    return found


def kinds(found: Audibility) -> set[MomentKind]:
    return {moment.kind for moment in found.moments}


def at_level(signal: Signal, rms_db: float) -> Signal:
    return signal / np.sqrt(np.mean(signal**2)) * 10.0 ** (rms_db / 20.0)


def band_of_noise(seed: int, low_hz: float, high_hz: float) -> Signal:
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(FRAMES))
    hz = np.fft.rfftfreq(FRAMES, 1.0 / RATE)
    return np.fft.irfft(np.where((hz >= low_hz) & (hz <= high_hz), spectrum, 0.0), FRAMES)


def tone(hz: float) -> Signal:
    return np.sin(2.0 * np.pi * hz * TIME)


def under_and_over(masker: Signal, added: Signal, threshold_db: float) -> tuple[float, float]:
    """Shares 10 dB under and 10 dB over the threshold, an RMS level."""
    return (
        share(masker, masker + at_level(added, threshold_db - 10.0)),
        share(masker, masker + at_level(added, threshold_db + 10.0)),
    )


@pytest.mark.parametrize(("hz", "ratio_db"), [(500.0, 17.0), (1000.0, 18.0), (2000.0, 20.0), (4000.0, 23.0)])
def test_a_tone_in_white_noise(hz: float, ratio_db: float) -> None:
    noise = at_level(band_of_noise(1, 0.0, RATE / 2.0), -25.0)
    density_db = -25.0 - 10.0 * np.log10(RATE / 2.0)
    under, over = under_and_over(noise, tone(hz), density_db + ratio_db)
    assert under < 0.02
    assert over > 0.9


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "offset_db"), [(200, 300, -2.0), (920, 1080, -3.0), (3700, 4400, -5.0)]
)
def test_a_tone_in_a_critical_band_of_noise(low_hz: float, high_hz: float, offset_db: float) -> None:
    noise = at_level(band_of_noise(2, low_hz, high_hz), -20.0)
    under, over = under_and_over(noise, tone((low_hz * high_hz) ** 0.5), -20.0 + offset_db)
    assert under < 0.06
    assert over > 0.6


@pytest.mark.parametrize("hz", [250.0, 1000.0, 2000.0, 4000.0])
def test_a_critical_band_of_noise_under_a_tone(hz: float) -> None:
    bark = 7.0 * np.arcsinh(hz / 650.0)
    low_hz, high_hz = 650.0 * np.sinh((bark + np.array([-0.5, 0.5])) / 7.0)
    masker = at_level(tone(hz), -20.0)
    under, over = under_and_over(masker, band_of_noise(3, low_hz, high_hz), -20.0 - 14.5 - bark)
    assert under < 0.15
    assert over > 0.7


def test_a_gain_alone_is_not_heard() -> None:
    music = 0.1 * np.stack([pink_noise(FRAMES, seed, RATE) for seed in (4, 5)], axis=1)
    assert share(music, music * 0.37) == 0.0
    found = heard(music, -music.astype(np.float32))
    assert (found.share_audible, found.moments, found.worst()) == (0.0, (), ())
    assert found.nmr_db is None
    assert heard(np.zeros(FRAMES), np.zeros(FRAMES)).share_audible is None


def test_clipping_is_heard_the_more_the_deeper_it_goes() -> None:
    """Three notes, each clipped by 0 to 12 dB; the soft clip's knee is the tests' own."""
    chord = (tone(220.0) + tone(277.2) + tone(329.6)) / 3.0 * 0.5
    found = [
        heard(chord, np.clip(chord, -0.5 * gain, 0.5 * gain))
        for gain in 10.0 ** (-np.arange(0, 13, 3) / 20.0)
    ]
    ratios = [one.nmr_db if one.nmr_db is not None else -200.0 for one in found]
    assert ratios == sorted(ratios)
    assert found[0].share_audible == 0.0
    assert (found[-1].share_audible or 0.0) > 0.9
    soft = heard(chord, 0.25 * np.tanh(chord / 0.25))
    hard = heard(chord, np.clip(chord, -0.25, 0.25))
    assert soft.bands[3].nmr_db < hard.bands[3].nmr_db - 10.0  # type: ignore[operator]


def beats(level: float = 0.8) -> Signal:
    """Noise bursts twice a second."""
    draw, made = np.random.default_rng(6), np.zeros(FRAMES)
    length = round(0.15 * RATE)
    for start in range(RATE // 2, FRAMES - length, RATE // 2):
        made[start : start + length] = level * draw.standard_normal(length)
        made[start : start + length] *= np.exp(-np.arange(length) / (0.025 * RATE))
    return made


def limited(wave: Signal, ceiling: float, release_s: float) -> Signal:
    """The tests' own: gain down at once, and back by an exponential."""
    wanted = np.minimum(1.0, ceiling / np.maximum(np.abs(wave), 1e-9)).tolist()
    gains, back, now = [], float(np.exp(-1.0 / (release_s * RATE))), 1.0
    for one in wanted:
        now = min(one, 1.0 - (1.0 - now) * back)
        gains.append(now)
    return wave * np.array(gains)


def test_a_long_release_pumps_and_a_short_one_does_not() -> None:
    music = beats() + 0.03 * at_level(pink_noise(FRAMES, 7, RATE), 0.0)
    short, long = heard(music, limited(music, 0.3, 0.02)), heard(music, limited(music, 0.3, 0.3))
    assert MomentKind.PUMPING in kinds(long)
    assert MomentKind.PUMPING not in kinds(short)
    assert long.pumping_db is not None
    assert short.pumping_db is not None
    assert long.pumping_db > 3.0 * short.pumping_db


@pytest.mark.parametrize(("hz", "pumps"), [(0.1, False), (1.0, True), (4.0, True), (25.0, False)])
def test_pumping_lies_between_half_a_hertz_and_ten(hz: float, pumps: bool) -> None:
    noise = at_level(pink_noise(FRAMES, 8, RATE), -20.0)
    found = heard(noise, noise * 10.0 ** (2.5 * tone(hz) / 20.0))
    assert (MomentKind.PUMPING in kinds(found)) is pumps
    if pumps:
        assert found.pumping_db == pytest.approx(
            5.0 * 0.9, rel=0.15
        )  # 10th to 90th percentile of a sine: 0.95


@pytest.mark.parametrize("shaved_db", [1.0, 3.5, 6.0, 9.0])
def test_hits_that_are_shaved_lose_that_much(shaved_db: float) -> None:
    clicks = np.zeros(FRAMES)
    for start in range(RATE // 2, FRAMES - 100, RATE // 2):
        clicks[start : start + 60] = 0.7 * np.hanning(60) * np.sin(1.2 * np.arange(60))
    bed = at_level(pink_noise(FRAMES, 9, RATE), -45.0)
    found = heard(clicks + bed, 3.0 * (clicks * 10.0 ** (-shaved_db / 20.0) + bed))
    assert found.hits.count == 15
    assert found.hits.peak_loss_db == pytest.approx(shaved_db, abs=0.3)
    assert found.hits.rise_loss_db == pytest.approx(shaved_db, abs=0.5)
    assert (MomentKind.ATTACK in kinds(found)) is (shaved_db > 3.0)


@pytest.mark.parametrize(
    ("note_hz", "added_db"), [(50.0, -20.0), (200.0, -26.0), (440.0, -20.0), (80.0, -40.0)]
)
def test_a_held_note_gains_the_harmonic_that_was_added(note_hz: float, added_db: float) -> None:
    bed = at_level(pink_noise(FRAMES, 10, RATE), -60.0)
    open_ = 0.3 * tone(note_hz) + bed
    found = heard(open_, open_ + 0.3 * 10.0 ** (added_db / 20.0) * tone(3.0 * note_hz))
    assert found.added_harmonics_db == pytest.approx(added_db, abs=0.5)
    notes = [moment for moment in found.moments if moment.kind is MomentKind.TONE]
    assert bool(notes) is (added_db > -30.0)
    assert all(moment.low_hz == pytest.approx(note_hz, abs=2.0) for moment in notes)


def test_the_balance_of_an_equaliser_is_apart_where_it_is_given() -> None:
    music = (
        np.asarray(0.05 * pink_noise(FRAMES, 11, RATE), dtype=np.float32)[:, np.newaxis]
        + np.asarray(0.1 * tone(1000.0), dtype=np.float32)[:, np.newaxis]
    )
    other = peaking(music, 1000.0, 6.0, 1.0, RATE)
    hz = 1000.0 * 10.0 ** (np.arange(-13, 14) / 10.0)
    impulse = np.zeros((RATE, 1), dtype=np.float32)
    impulse[0] = 1.0
    response = np.abs(np.fft.rfft(peaking(impulse, 1000.0, 6.0, 1.0, RATE)[:, 0]))
    balance = [(float(one), float(20.0 * np.log10(response[round(one)]))) for one in hz]
    assert share(music, other) > 0.5
    meter = AudibilityMeter(RATE, 1, balance=balance)
    meter.push(music, other)
    assert (meter.finish().share_audible or 0.0) < 0.02


def test_the_worst_moment_is_where_the_damage_was_done() -> None:
    """Clipped from 16 to 19 s of 30; moments of a kind lie 8 s apart."""
    music = 0.2 * np.tile(tone(220.0) + tone(554.4), 4)[: 30 * RATE]
    other = music.copy()
    other[16 * RATE : 19 * RATE] = np.clip(other[16 * RATE : 19 * RATE], -0.15, 0.15)
    found = heard(music, other)
    worst = found.worst()
    assert 15.0 <= worst[0].at_s <= 17.5
    assert all(14.0 <= moment.at_s <= 19.0 for moment in worst)
    assert max(found.strip_db) == max(found.strip_db[15:20])
    assert found.strip_db[5] == 0.0
    assert found.share_between(16.0, 18.0) == pytest.approx(1.0, abs=0.05)
    assert found.share_between(2.0, 8.5) == 0.0
    assert found.share_between(12.0, 20.0) == pytest.approx(3.0 / 8.0, abs=0.05)
    assert found.share_between(31.0, 40.0) is None
    assert np.mean(found.strip_share) == pytest.approx(found.share_audible, abs=0.005)
    throughout = heard(music, np.clip(music, -0.15, 0.15))
    for kind in MomentKind:
        starts = sorted(moment.at_s for moment in throughout.moments if moment.kind is kind)
        assert len(starts) <= 5
        assert all(later - earlier >= 8.0 for earlier, later in pairwise(starts))
    assert kinds(throughout) >= {MomentKind.CHANGE}


def test_numbers_do_not_depend_on_the_blocks() -> None:
    music = np.stack([pink_noise(FRAMES, seed, RATE) for seed in (12, 13)], axis=1) * 0.1
    other = np.clip(music, -0.1, 0.1)
    assert heard(music, other, 10_007) == heard(music, other, 300_000)
    with pytest.raises(ValueError, match="not in step"):
        AudibilityMeter(RATE, 1).push(np.zeros((10, 1)), np.zeros((9, 1)))


@pytest.mark.parametrize("rate", [8000, 22_050, 48_000, 96_000, 192_000])
def test_every_rate_and_a_very_short_file_have_an_answer(rate: int) -> None:
    noise = 0.1 * pink_noise(rate, 14, rate)[:, np.newaxis]
    for frames in (1, 100, rate):
        meter = AudibilityMeter(rate, 1)
        meter.push(noise[:frames], np.clip(noise[:frames], -0.05, 0.05))
        assert (meter.finish().share_audible is not None) or frames < rate
