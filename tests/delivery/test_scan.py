"""What the scan counts, against signals whose word length, spectrum and silence are known."""

from __future__ import annotations

import numpy as np
import pytest
from support import signals

from simulator.delivery.file_findings import earlier_rate
from simulator.delivery.scan import scan
from simulator.dsp.segments import SEGMENT_FRAMES

RATE = 48_000


def noise(seconds: float = 4.0, level: float = 0.3):  # type: ignore[no-untyped-def]
    wave = signals.pink_noise(round(seconds * RATE), 3, RATE)
    return (level * wave / np.abs(wave).max())[:, np.newaxis]


@pytest.mark.parametrize("bits", [8, 12, 16, 20, 24])
def test_the_bits_used_are_counted(bits: int) -> None:
    steps = 2.0 ** (bits - 1)
    found = scan([(np.rint(noise() * steps) / steps).astype(np.float32)], RATE, 1)
    assert found.word_bits == bits


def test_what_is_finer_than_24_bits_has_no_word_length() -> None:
    assert scan([(noise() * 0.01).astype(np.float32)], RATE, 1).word_bits is None


def test_blocks_do_not_matter() -> None:
    wave = (np.rint(noise() * 32768.0) / 32768.0).astype(np.float32)
    whole, pieces = (
        scan([wave], RATE, 1),
        scan([wave[at : at + 999] for at in range(0, len(wave), 999)], RATE, 1),
    )
    assert np.array_equal(whole.spectrum, pieces.spectrum)
    assert np.array_equal(whole.tail, pieces.tail)
    assert (whole.word_bits, whole.head_s, whole.tail_s) == (pieces.word_bits, pieces.head_s, pieces.tail_s)


@pytest.mark.parametrize("whole", [0, SEGMENT_FRAMES])
@pytest.mark.parametrize("rest", [1, 2, 3, 4])
def test_a_last_segment_of_a_few_frames_is_scanned(whole: int, rest: int) -> None:
    found = scan([np.full((whole + rest, 2), 0.25, np.float32)], RATE, 2)
    assert (found.frames, found.word_bits) == (whole + rest, 3)
    assert found.channel_energy == (0.0625, 0.0625)


def test_silence_before_and_after_is_measured_to_the_frame() -> None:
    wave = np.concatenate([np.zeros((4_800, 1)), np.full((RATE, 1), 0.1), np.zeros((9_600, 1))])
    found = scan([wave.astype(np.float32)], RATE, 1)
    assert (found.head_s, found.tail_s) == (pytest.approx(0.1), pytest.approx(0.2))
    silent = scan([np.zeros((RATE, 2), np.float32)], RATE, 2)
    assert (silent.head_s, silent.word_bits, silent.undithered_at_s) == (1.0, 0, ())


@pytest.mark.parametrize("kind", ["triangular", "none"])
def test_missing_dither_is_told_from_dither_in_a_fade(kind: str) -> None:
    """Seeded; also with digital silence after it, which is no sign of anything."""
    random = np.random.default_rng(7)
    wave = noise(6.0) * 10.0 ** (-np.arange(6 * RATE)[:, np.newaxis] / RATE)
    dither = random.random((2, *wave.shape)) - 0.5
    extra = {"triangular": dither.sum(axis=0), "none": 0.0}[kind]
    words = np.rint(wave * 32768.0 + extra) / 32768.0
    found = scan([np.concatenate([words, np.zeros((RATE, 1))]).astype(np.float32)], RATE, 1)
    assert found.word_bits == 16
    assert bool(found.undithered_at_s) is (kind == "none")


@pytest.mark.parametrize("earlier", [32_000, 44_100])
def test_an_earlier_lower_rate_shows_as_an_edge(earlier: int) -> None:
    import soxr

    wave = noise(4.0)[:, 0]
    there = soxr.resample(wave, RATE, earlier, quality="VHQ")
    back = soxr.resample(there, earlier, RATE, quality="VHQ").astype(np.float32)[:, np.newaxis]
    assert earlier_rate(scan([back], RATE, 1)) == earlier


def test_music_that_merely_falls_towards_the_treble_has_no_edge() -> None:
    assert earlier_rate(scan([noise().astype(np.float32)], RATE, 1)) is None
    dull = np.cumsum(noise()[:, 0])
    dull -= np.linspace(dull[0], dull[-1], dull.shape[0])
    dull = (0.3 * dull / np.abs(dull).max()).astype(np.float32)[:, np.newaxis]
    assert earlier_rate(scan([dull], RATE, 1)) is None


@pytest.mark.parametrize(
    "at", [RATE, SEGMENT_FRAMES - 1_000, SEGMENT_FRAMES - 300, SEGMENT_FRAMES, SEGMENT_FRAMES + 7]
)
@pytest.mark.parametrize(
    ("seconds", "found"), [(0.001, False), (0.0025, True), (0.012, True), (0.4, True), (0.6, False)]
)
def test_a_dropout_is_found_wherever_it_lies(at: int, seconds: float, found: bool) -> None:
    wave = noise(8.0).astype(np.float32)
    wave[wave == 0.0] = 1e-4
    frames = round(seconds * RATE)
    wave[at : at + frames] = 0.0
    gaps = scan([wave], RATE, 1).dropouts
    assert [(round(gap.at_s * RATE), round(gap.seconds * RATE), gap.channel) for gap in gaps] == (
        [(at, frames, 0)] if found else []
    )


def test_zeros_that_a_fade_leads_into_or_that_lie_at_the_ends_are_no_dropout() -> None:
    """A gate, a rest or an undithered fade: what is next to them is quiet."""
    wave = noise(4.0).astype(np.float32)
    wave[RATE : RATE + 600] = 0.0
    wave[RATE - 600 : RATE] *= np.linspace(1.0, 0.0, 600, dtype=np.float32)[:, np.newaxis]
    wave[:600] = 0.0
    wave[-600:] = 0.0
    quiet = wave * np.float32(0.001)
    assert scan([wave], RATE, 1).dropouts == scan([quiet], RATE, 1).dropouts == ()


@pytest.mark.parametrize("at", [RATE, SEGMENT_FRAMES - 100, SEGMENT_FRAMES])
@pytest.mark.parametrize(("seconds", "found"), [(1.9, False), (2.1, True), (9.0, True)])
def test_silence_within_the_music_is_measured_and_that_at_its_ends_is_not(
    at: int, seconds: float, found: bool
) -> None:
    wave, rest = np.full((SEGMENT_FRAMES + RATE, 1), 0.1, np.float32), np.zeros((3 * RATE, 1), np.float32)
    silence = np.full((round(seconds * RATE), 1), 5e-5, np.float32)  # −86 dBFS
    gaps = scan([np.concatenate([rest, wave[:at], silence, wave[at:], rest])], RATE, 1).silences
    assert [(gap.at_s, gap.seconds) for gap in gaps] == (
        [(pytest.approx(3.0 + at / RATE), pytest.approx(seconds))] if found else []
    )
