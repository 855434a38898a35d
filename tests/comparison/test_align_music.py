"""Alignment on real music: four songs and their guitar tracks (a Debian package, MIT licence).

Targets: undisturbed material 0.001 frame, 0.001 dB, null at most −90 dB; after limiting 0.02 frame; after
equalising or resampling 0.5 frame; unrelated songs refused, all pairs. Fractional delays are made of the
music below 0.45 of the sample rate: at half the rate itself a wave has no place between its samples.
"""

from __future__ import annotations

import itertools
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from support.in_memory import align
from support.made_versions import RATE, Version, delayed, high_passed, peaking
from support.real_music import SONGS
from support.signals import band_limited

from simulator.comparison.alignment import BORDER
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array

pytestmark = pytest.mark.external
START_S, SECONDS = 60, 20
LIMITER = LimiterSettings(ceiling_db=-1.0, detection="true", look_ahead_ms=3.0, release_ms=100.0)
heavy = pytest.mark.heavy
OTHERS = [pytest.param(name, marks=[] if name == "madness" else heavy) for name in SONGS]
"""One song by default, all of them in .ci/run."""


@lru_cache(maxsize=8)
def whole(path: Path) -> Version:
    return soundfile.read(path, dtype="float32")[0]


def excerpt(files: dict[str, Path], name: str, start_s: int = START_S, seconds: int = SECONDS) -> Version:
    return whole(files[name])[start_s * RATE : (start_s + seconds) * RATE]


def close_to(value: float | None, wanted: float, tolerance: float) -> None:
    assert value == pytest.approx(wanted, abs=tolerance)


@pytest.mark.parametrize("song", OTHERS)
def test_undisturbed_music_is_found_exactly(music_files: dict[str, Path], song: str) -> None:
    first = excerpt(music_files, f"{song}-song")
    second = np.concatenate([np.zeros((777, 2), np.float32), -0.25 * first])
    found = align(first, RATE, second, RATE)
    assert found.has_place
    assert found.offset_frames == 777
    assert found.polarity == -1
    close_to(found.gain_db, 20.0 * np.log10(4.0), 0.001)
    assert found.null_db is None or found.null_db < -90.0


@pytest.mark.parametrize("song", OTHERS)
@pytest.mark.parametrize("frames", [pytest.param(10.37, marks=heavy), -500.123])
def test_a_fractional_delay_of_music_is_found_to_a_thousandth(
    music_files: dict[str, Path], song: str, frames: float
) -> None:
    first = excerpt(music_files, f"{song}-song")
    first = np.stack([band_limited(first[:, c]) for c in (0, 1)], axis=1).astype(np.float32)
    found = align(first, RATE, delayed(first, frames), RATE)
    close_to(found.offset_frames, frames, 0.001)
    close_to(found.gain_db, 0.0, 0.001)
    assert found.null_db is not None
    assert found.null_db <= -90.0


@pytest.mark.parametrize("song", OTHERS)
@pytest.mark.parametrize("frames", [pytest.param(0.0, marks=heavy), 100.3])
def test_limited_music_is_found_to_two_hundredths(
    music_files: dict[str, Path], song: str, frames: float
) -> None:
    first = excerpt(music_files, f"{song}-song")
    limited = limit_array(first * np.float32(10.0 ** (14.0 / 20.0)), RATE, LIMITER)[0]
    found = align(first, RATE, delayed(limited, frames) if frames else limited, RATE)
    assert found.has_place
    close_to(found.offset_frames, frames, 0.02)


@pytest.mark.parametrize("song", OTHERS)
def test_clipped_music_is_found_to_two_hundredths(music_files: dict[str, Path], song: str) -> None:
    first = excerpt(music_files, f"{song}-song")
    clipped = np.clip(first * np.float32(10.0 ** (10.0 / 20.0)), -1.0, 1.0)
    close_to(align(first, RATE, clipped[4321:], RATE).offset_frames, -4321.0, 0.02)


@pytest.mark.parametrize("song", OTHERS)
@pytest.mark.parametrize(
    "kind", [pytest.param("bell", marks=heavy), pytest.param("dip", marks=heavy), "low cut"]
)
def test_equalised_music_is_found_to_half_a_frame_with_its_delay_by_band(
    music_files: dict[str, Path], song: str, kind: str
) -> None:
    first = excerpt(music_files, f"{song}-song")
    second = {
        "bell": lambda: peaking(first, 3000.0, 6.0),
        "dip": lambda: peaking(first, 250.0, -6.0),
        "low cut": lambda: high_passed(first, 80.0),
    }[kind]()
    found = align(first, RATE, second, RATE)
    assert found.has_place
    close_to(found.offset_frames, 0.0, 0.5)
    delays = [band.delay_frames for band in found.delay_by_band]
    assert None not in delays
    if kind == "low cut":  # it advances the phase, and the more the lower: negative group delay below it
        assert delays[0] is not None
        assert delays[1] is not None
        assert abs(delays[0]) > 10.0 * abs(delays[1])


@pytest.mark.parametrize("song", OTHERS)
@pytest.mark.parametrize("rate", [48_000, pytest.param(96_000, marks=heavy)])
def test_resampled_music_is_found_to_half_a_frame(music_files: dict[str, Path], song: str, rate: int) -> None:
    first = excerpt(music_files, f"{song}-song")
    second = soxr.resample(first, RATE, rate, quality="HQ")[1000:]
    found = align(first, RATE, second, rate)
    assert found.has_place
    close_to(found.offset_frames, -1000.0, 0.5)
    assert found.agreeing_share == 1.0  # nothing was edited: the band that a resampler empties says nothing
    assert all(abs(band.delay_frames or 0.0) < 0.5 for band in found.delay_by_band)


PAIRS = list(itertools.combinations([f"{song}-{stem}" for song in SONGS for stem in ("song", "guitar")], 2))


@pytest.mark.parametrize(
    ("one", "other"),
    [pytest.param(*pair, marks=[] if index == 0 else heavy) for index, pair in enumerate(PAIRS)],
)
def test_unrelated_recordings_are_refused(music_files: dict[str, Path], one: str, other: str) -> None:
    """Also the guitar and the backing of one song, which were not one recording. All are far from the
    border: at most 0.06, measured, against 0.25."""
    found = align(excerpt(music_files, one, 60, 12), RATE, excerpt(music_files, other, 60, 12), RATE)
    assert found.kind == "different"
    assert found.confidence > 0.95
    assert found.similarity < 0.5 * BORDER


@heavy
@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(SONGS, 2)))
def test_unrelated_whole_songs_are_refused(music_files: dict[str, Path], one: str, other: str) -> None:
    first, second = whole(music_files[f"{one}-song"]), whole(music_files[f"{other}-song"])
    found = align(first, RATE, second, RATE)
    assert found.kind == "different"
    assert found.confidence > 0.95


@heavy
@pytest.mark.parametrize("song", SONGS)
def test_whole_songs_with_the_guitar_mixed_in_are_the_same_performance(
    music_files: dict[str, Path], song: str
) -> None:
    """The instrumental against the full mix, whose head is two seconds longer."""
    first, guitar = whole(music_files[f"{song}-song"]), whole(music_files[f"{song}-guitar"])
    full = np.concatenate([np.zeros((2 * RATE, 2), np.float32), 0.5 * (first + guitar)])
    found = align(first, RATE, full, RATE)
    assert found.kind == "aligned"
    assert found.offset_frames == 2 * RATE
