"""Predictions against the chain itself, against the cache, and with a file that kills its decoder."""

from __future__ import annotations

import os
import signal
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import soundfile
from msgspec import structs
from support.in_memory import play_array

from simulator.common.errors import AudioError, SimulatorError
from simulator.engine import measure
from simulator.engine.predict import MeasuredTrack, measure_tracks, predict
from simulator.metering.meter import measure_array
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.bundled import load_profiles
from simulator.storage.measurement_cache import Store, pack

RATE = 44_100


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three quiet files with high clicks, so that a boost to −14 LUFS needs a limiter; old enough to be
    trusted by the cache."""
    # not at the top: the workers of the crash test import this module, and scipy takes them a second
    from support.signals import band_limited, click_train, pink_noise

    folder, made = tmp_path_factory.mktemp("sources"), []
    for number in range(3):
        left, right = (
            band_limited(
                0.03 * pink_noise(4 * RATE, 110 + 2 * number + side, RATE) + 0.5 * click_train(RATE, 4.0)
            )
            for side in range(2)
        )
        made.append(folder / f"{number}.wav")
        soundfile.write(made[-1], np.stack([left, right], axis=1), RATE, subtype="PCM_24")
        hour_ago = made[-1].stat().st_mtime - 3600.0
        os.utime(made[-1], (hour_ago, hour_ago))
    return made


def playlist_of(paths: Sequence[Path]) -> Playlist:
    return Playlist("", "", None, tuple(Track(str(path), path.stem) for path in paths), "", "")


def predicted(
    paths: Sequence[Path], profile: str, store: Store, workers: int = 0
) -> tuple[list[MeasuredTrack], list[Prediction | SimulatorError | None]]:
    tracks = measure_tracks(playlist_of(paths), store, workers)
    (found,) = predict(load_profiles([profile]), tracks, "", store, workers)
    return tracks, list(found)


def no_cache() -> Store:
    return Store(None, print)


def test_a_limited_prediction_is_the_measurement_of_the_chain_s_output(sources: list[Path]) -> None:
    """Every figure and every series, bit for bit: no model of the chain, but the chain itself."""
    (profile,) = load_profiles(["minus14-limited"])
    _, (found, *_) = predicted(sources[:1], "minus14-limited", no_cache())
    assert isinstance(found, Prediction)
    samples, _ = soundfile.read(sources[0], dtype="float32")
    played, report = play_array(samples, RATE, ChainSettings(found.decision.gain_db, profile.limiter))
    assert report.max_reduction_db > 1.0
    assert found.limiter == report
    assert pack(found.played) == pack(measure_array(played, RATE))


def test_a_prediction_with_a_clipping_converter_is_the_measurement_of_the_chain_s_output(
    sources: list[Path],
) -> None:
    """Raised without protection the clicks are clipped between the samples; turned down nothing is."""
    (untouched,) = load_profiles(["untouched"])
    for target_lufs, clips in ((-8.0, True), (-40.0, False)):
        profile = structs.replace(
            untouched, target_lufs=target_lufs, upward="unprotected", converter_headroom_db=0.0
        )
        tracks = measure_tracks(playlist_of(sources[:1]), no_cache(), 0)
        ((found,),) = predict([profile], tracks, "", no_cache(), 0)
        assert isinstance(found, Prediction)
        samples, _ = soundfile.read(sources[0], dtype="float32")
        plain, _ = play_array(samples, RATE, ChainSettings(found.decision.gain_db))
        played, _ = play_array(samples, RATE, ChainSettings(found.decision.gain_db, None, 0.0))
        assert np.array_equal(plain, played) is not clips
        measured = measure_array(played, RATE)
        assert found.played.true_peak_dbtp == pytest.approx(measured.true_peak_dbtp, abs=1e-4)
        assert found.played.integrated_lufs == pytest.approx(measured.integrated_lufs, abs=1e-4)


def test_a_plain_prediction_is_the_measurement_of_the_chain_s_output(sources: list[Path]) -> None:
    """In closed form: exact but for the rounding of samples to float32 (1e-4 dB; a gate that flips would
    show far more)."""
    _, (found, *_) = predicted(sources[:1], "minus14-headroom", no_cache())
    assert isinstance(found, Prediction)
    assert found.decision.limited_by == "headroom"
    samples, _ = soundfile.read(sources[0], dtype="float32")
    played, _ = play_array(samples, RATE, ChainSettings(found.decision.gain_db))
    measured = measure_array(played, RATE)
    for name in (
        "integrated_lufs",
        "max_momentary_lufs",
        "max_short_term_lufs",
        "quietest_passage_lufs",
        "loudness_range_lu",
        "sample_peak_dbfs",
        "true_peak_dbtp",
    ):
        assert getattr(found.played, name) == pytest.approx(getattr(measured, name), abs=1e-4), name
    assert [getattr(found.limiter, one.name) for one in fields(found.limiter)] == [0.0, 0.0, 0.0]


def test_the_shortfall_is_what_the_played_level_lacks(sources: list[Path]) -> None:
    for profile in ("minus14-limited", "minus14-headroom"):
        _, found = predicted(sources, profile, no_cache())
        for one in found:
            assert isinstance(one, Prediction)
            assert one.played.integrated_lufs is not None
            assert one.target_shortfall_lu == pytest.approx(-14.0 - one.played.integrated_lufs, abs=1e-9)


def test_the_cache_gives_the_same_result_bit_for_bit_and_reads_no_file_again(
    sources: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first_store = Store(tmp_path, print)
    first_tracks, first = predicted(sources, "minus14-limited", first_store)
    first_store.close()

    def never(job: measure.Job) -> measure.Result:
        raise AssertionError(f"{job.path} was read again")

    monkeypatch.setattr(measure, "measure_file", never)
    second_store = Store(tmp_path, print)
    second_tracks, second = predicted(sources, "minus14-limited", second_store)
    second_store.close()
    for before, after in zip(first_tracks, second_tracks, strict=True):
        assert before.measurement is not None
        assert after.measurement is not None
        assert pack(before.measurement) == pack(after.measurement)
    for one, other in zip(first, second, strict=True):
        assert isinstance(one, Prediction)
        assert isinstance(other, Prediction)
        assert one.decision == other.decision
        assert pack(one.played, one.limiter) == pack(other.played, other.limiter)
        assert one.limiter_loss_lu == other.limiter_loss_lu


def test_the_cache_does_not_take_one_player_s_result_for_another_s(
    sources: list[Path], tmp_path: Path
) -> None:
    store = Store(tmp_path, print)
    predicted(sources[:1], "minus14-limited", store)
    _, (cached,) = predicted(sources[:1], "louder-setting", store)
    store.close()
    _, (fresh,) = predicted(sources[:1], "louder-setting", no_cache())
    assert isinstance(cached, Prediction)
    assert isinstance(fresh, Prediction)
    assert pack(cached.played, cached.limiter) == pack(fresh.played, fresh.limiter)


def test_a_changed_file_is_measured_again(tmp_path: Path, sources: list[Path]) -> None:
    path = tmp_path / "a.wav"
    for number in range(2):
        path.write_bytes(sources[number].read_bytes())
        hour_ago = path.stat().st_mtime - 3600.0 - number
        os.utime(path, (hour_ago, hour_ago))
        store = Store(tmp_path / "cache", print)
        _, (found,) = predicted([path], "minus14-limited", store)
        store.close()
        _, (fresh,) = predicted([sources[number]], "minus14-limited", no_cache())
        assert isinstance(found, Prediction)
        assert isinstance(fresh, Prediction)
        assert pack(found.played) == pack(fresh.played)


def dies_on_1(job: measure.Job) -> measure.Result:
    """Stands in for the real work: the decoder of `1.wav` ends its process by a signal."""
    if Path(job.path).name == "1.wav":
        os.kill(os.getpid(), signal.SIGKILL)
    return measure.measure_file(job)


@pytest.mark.heavy
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="a process ends itself by a POSIX signal")
def test_a_decoder_that_crashes_costs_one_file(
    sources: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(measure, "measure_file", dies_on_1)
    monkeypatch.setattr(measure, "_workers_for", lambda jobs, most, _: min(most, len(jobs)))
    store = Store(tmp_path, print)
    tracks, found = predicted(sources[:2], "minus14-headroom", store, workers=2)
    assert [one.measurement is not None for one in tracks] == [True, False]
    assert isinstance(tracks[1].problem, AudioError)
    assert "1.wav: the decoder crashed on this file" in str(tracks[1].problem)
    assert isinstance(found[0], Prediction)
    assert found[1] is None
    # what the other measured is kept, and nothing is kept for the one that crashed
    assert store.content_of(str(sources[0])) is not None
    assert store.content_of(str(sources[1])) is None
    store.close()


def test_a_missing_track_is_none_in_its_place_and_the_others_are_predicted(
    sources: list[Path], tmp_path: Path
) -> None:
    paths = [sources[0], tmp_path / "gone.wav", sources[2]]
    tracks, found = predicted(paths, "minus14-limited", no_cache())
    assert [isinstance(one, Prediction) for one in found] == [True, False, True]
    assert found[1] is None
    assert "gone.wav: file not found" in str(tracks[1].problem)


def test_a_file_that_vanishes_between_measuring_and_limiting_is_an_error_in_its_place(
    sources: list[Path], tmp_path: Path
) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(sources[0].read_bytes())
    tracks = measure_tracks(playlist_of([path, sources[2]]), no_cache(), 0)
    path.unlink()
    ((lost, kept),) = predict(load_profiles(["minus14-limited"]), tracks, "", no_cache(), 0)
    assert isinstance(lost, AudioError)
    assert "a.wav: file not found" in lost.message
    assert isinstance(kept, Prediction)
