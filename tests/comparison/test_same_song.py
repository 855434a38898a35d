"""Versions of one song are recognised by their loudness curves, and other songs are not."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.made_measurements import made
from support.real_music import SONGS

from simulator.comparison.same_song import same_song
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array
from simulator.metering.measurement import Measurement, Series
from simulator.metering.meter import measure_array

RATE = 44_100


def performance(seed: int, seconds: float = 60.0) -> np.ndarray:
    """Energies of 100 ms steps that rise and fall by some 6 dB, as notes do."""
    steps = np.random.default_rng(seed).normal(-20.0, 6.0, int(seconds * 10))
    return np.asarray(10.0 ** (steps / 10.0))


def track(energy: np.ndarray) -> Measurement:
    return replace(
        made(-14.0, seconds=energy.shape[0] / 10.0),
        series=Series(energy, np.ones(energy.shape[0], dtype=np.float32)),
    )


SONG, OTHER = performance(1), performance(2, 61.0)


@pytest.mark.parametrize(
    "version",
    [
        4.0 * SONG,
        np.minimum(SONG, np.quantile(SONG, 0.4)),  # pressed flat from above
        SONG[70:],
        np.concatenate([np.zeros(33), SONG]),
        np.concatenate([SONG[:200], SONG[220:]]),
        np.concatenate([performance(3, 20.0), SONG[200:], performance(4, 9.0)]),
    ],
    ids=["louder", "limited", "starts later", "silence in front", "a bar less", "another intro and end"],
)
def test_versions_are_recognised_in_either_order(version: np.ndarray) -> None:
    assert same_song(track(SONG), track(version))
    assert same_song(track(version), track(SONG))


def test_another_song_is_not_a_version() -> None:
    assert not same_song(track(SONG), track(OTHER))
    assert not same_song(track(OTHER), track(SONG))


def test_where_the_curves_cannot_tell_two_files_are_versions() -> None:
    """Masters of one mix have one length; a few seconds have no shape of their own, and silence has none."""
    assert same_song(track(SONG), track(performance(2)))
    assert same_song(track(SONG), track(performance(2, 9.0)))
    assert same_song(track(SONG), made(None, None, seconds=70.0))
    assert same_song(track(SONG), made(-14.0, seconds=70.0))


@pytest.mark.external
def test_real_songs_are_told_apart_and_their_limited_versions_recognised(
    music_files: dict[str, Path],
) -> None:
    """30 s of each; the limiter is driven by 14 dB, and a second is missing at its start, so that the lengths
    differ. Measured with longer excerpts and more forms: see the module."""
    heard = {}
    for name in SONGS:
        whole = soundfile.read(music_files[f"{name}-song"], dtype="float32")[0]
        part = whole[60 * RATE : 90 * RATE]
        pressed = limit_array(part * np.float32(5.0), RATE, LimiterSettings(-1.0, "sample", 3.0, 150.0))[0]
        heard[name] = measure_array(part, RATE), measure_array(pressed[RATE:], RATE)
    assert all(same_song(*both) for both in heard.values())
    for first, second in itertools.permutations(SONGS, 2):
        assert not same_song(heard[first][0], heard[second][1]), (first, second)
