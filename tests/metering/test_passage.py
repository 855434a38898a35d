"""A passage is chosen by its energy, once for a song, and cut with soft edges."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.demo.synthesis import fade
from simulator.metering.meter import measure_array
from simulator.metering.passage import Passage, loudest, places, with_edges

RATE = 44_100


def steps(*pieces: tuple[float, float]) -> NDArray[np.float64]:
    """Energies each 100 ms of pieces (seconds, energy)."""
    return np.concatenate([np.full(round(10 * seconds), energy) for seconds, energy in pieces])


def test_the_loudest_passage_has_the_greatest_mean_energy() -> None:
    energy = steps((20.0, 0.01), (12.0, 0.04), (5.0, 0.02))
    found = loudest(energy, 12.0, 37.0)
    assert (found.start_s, found.seconds) == (20.0, 12.0)
    assert found.reason == "its loudest 12 s, from 0:20.0"


def test_one_loud_moment_counts_less_than_a_loud_stretch() -> None:
    energy = steps((10.0, 0.01), (1.0, 0.05), (20.0, 0.01), (12.0, 0.04))
    assert loudest(energy, 12.0, 43.0).start_s == 31.0


@pytest.mark.parametrize("seconds", [0.5, 3.0, 7.3])
def test_no_other_place_is_louder(seconds: float) -> None:
    energy = np.random.default_rng(int(seconds * 10)).exponential(1.0, 300)
    length = round(seconds * 10)
    means = [energy[k : k + length].mean() for k in range(300 - length + 1)]
    assert loudest(energy, seconds, 30.0).start_s == pytest.approx(int(np.argmax(means)) / 10)


def test_of_equal_places_the_first_is_taken() -> None:
    energy = steps((5.0, 0.01), (4.0, 0.04), (5.0, 0.01), (4.0, 0.04), (5.0, 0.01))
    assert loudest(energy, 4.0, 23.0).start_s == 5.0


@pytest.mark.parametrize("duration_s", [0.05, 3.0, 12.0])
def test_a_track_no_longer_than_the_passage_is_taken_whole(duration_s: float) -> None:
    found = loudest(steps((duration_s, 0.1)), 12.0, duration_s)
    assert found == Passage(0.0, duration_s, "the whole track")


def test_a_silent_track_gives_its_beginning_and_says_so() -> None:
    assert loudest(np.zeros(300), 12.0, 30.0) == Passage(0.0, 12.0, "silent throughout: its start")


def test_a_passage_never_reaches_past_the_end() -> None:
    """The last, incomplete 100 ms have no energy of their own."""
    found = loudest(steps((20.0, 0.01), (0.9, 0.5)), 1.04, 20.95)
    assert found.start_s + found.seconds <= 20.95


def test_the_loud_part_of_measured_samples_is_found() -> None:
    noise = np.random.default_rng(1).standard_normal((20 * RATE, 2)) * 0.02
    noise[int(8.4 * RATE) : int(12.4 * RATE)] *= 4.0
    measured = measure_array(noise.astype(np.float32), RATE)
    found = loudest(measured.series.energy, 4.0, measured.duration_s)
    assert found.start_s == pytest.approx(8.4)
    assert found.frames(RATE) == (370_440, 370_440 + 176_400)


def test_versions_of_one_song_are_cut_where_the_first_is_loudest() -> None:
    first = steps((10.0, 0.01), (12.0, 0.04), (10.0, 0.01))
    second = steps((20.0, 0.01), (12.0, 0.04))
    alone, one, other = places(
        [(None, second, 32.0), ("a song", first, 32.0), ("a song", second, 32.0)], 12.0
    )
    assert (alone.start_s, one.start_s, other.start_s) == (20.0, 10.0, 10.0)
    assert one.reason == "its loudest 12 s, from 0:10.0"
    assert other.reason == "the same passage as in the first version of the song, from 0:10.0"


def test_tracks_without_a_song_are_not_versions_of_one_another() -> None:
    early, late = steps((12.0, 0.04), (10.0, 0.01)), steps((10.0, 0.01), (12.0, 0.04))
    assert [found.start_s for found in places([(None, early, 22.0), (None, late, 22.0)], 12.0)] == [0.0, 10.0]


def test_a_version_that_has_ended_by_then_gets_a_place_of_its_own() -> None:
    whole = steps((30.0, 0.01), (12.0, 0.04))
    edit = steps((8.0, 0.01), (12.0, 0.04), (2.0, 0.01))
    found = places([("a song", whole, 42.0), ("a song", edit, 22.0)], 12.0)[1]
    assert (found.start_s, found.seconds) == (8.0, 12.0)
    assert "past the end" in found.reason


def test_edges_are_raised_cosines_of_5_ms() -> None:
    cut = with_edges(np.ones((RATE, 2), dtype=np.float32), RATE)
    edge = 221  # 5 ms at 44.1 kHz, 220.5 frames
    assert np.all(cut[edge:-edge] == 1.0)
    half = cut[:edge, 0].astype(np.float64)
    assert half[edge // 2] == pytest.approx(0.5, abs=0.01)
    assert half[edge // 4] == pytest.approx(0.5 - 0.5 * np.cos(np.pi / 4), abs=0.01)
    assert np.all(np.diff(half) > 0)
    assert half[0] < 1e-4
    assert np.array_equal(cut[:edge], cut[::-1][:edge])
    assert np.array_equal(cut[:, 0], cut[:, 1])


def test_no_step_at_an_edge_is_larger_than_the_cosine_allows() -> None:
    cut = with_edges(np.ones((RATE, 1), dtype=np.float32), RATE)
    framed = np.concatenate([[0.0], cut[:, 0], [0.0]])
    assert np.abs(np.diff(framed)).max() <= np.pi / 2 / 220 * 1.01


@pytest.mark.parametrize("frames", [0, 1, 7, 300])
def test_a_cut_shorter_than_its_edges_fades_in_half_its_length(frames: int) -> None:
    samples = np.ones((frames, 2), dtype=np.float32)
    cut = with_edges(samples, RATE)
    assert cut.shape == samples.shape
    assert np.all(samples == 1.0)
    assert np.all(np.isfinite(cut))


def test_cuts_and_the_demos_sounds_fade_by_the_one_curve_in_single_precision() -> None:
    """Written out as when each faded by itself: the samples stay what they were, bit for bit."""
    samples = np.random.default_rng(4).uniform(-1, 1, (5000, 2)).astype(np.float32)
    expected, length = samples.copy(), 221
    curve = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)
    expected[:length] *= curve[:, np.newaxis].astype(np.float32)
    expected[-length:] *= curve[::-1, np.newaxis].astype(np.float32)
    assert np.array_equal(with_edges(samples, RATE), expected)
    note = fade(np.ascontiguousarray(samples.T), RATE, 0.0051, 0.0051)
    assert note.shape == (2, 5000)
    length = int(0.0051 * RATE)
    curve = (0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)).astype(np.float32)
    assert np.array_equal(note[:, :length], samples.T[:, :length] * curve)
    assert np.array_equal(note[:, -length:], samples.T[:, -length:] * curve[::-1])
