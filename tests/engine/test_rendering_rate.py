"""A render at another rate is the render at its own rate, converted by a resampler in one call."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from support.signals import both, click_train, pink_noise

from simulator.engine.predict import measure_tracks, predict
from simulator.engine.render import Outcome, RenderPlan, render
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.bundled import load_profiles
from simulator.storage.measurement_cache import Store


@pytest.fixture
def plan(tmp_path: Path) -> RenderPlan:
    """Two tracks of 44.1 and 48 kHz that a limiter works on."""
    paths = []
    for name, rate in (("one", 44_100), ("two", 48_000)):
        samples = both(0.03 * pink_noise(3 * rate, 1, rate) + 0.5 * click_train(rate, 3.0))
        paths.append(tmp_path / f"{name}.wav")
        soundfile.write(paths[-1], samples, rate, subtype="PCM_24")
    store = Store(None, print)
    tracks = measure_tracks(
        Playlist("", "", None, tuple(Track(str(p), p.stem) for p in paths), "", ""), store, 0
    )
    (profile,) = load_profiles(["minus14-limited"])
    (predictions,) = predict([profile], tracks, "", store, 0)
    return RenderPlan(profile, tmp_path / "own", tracks, predictions, "float32", 1.0)


def test_a_render_at_a_rate_is_the_limited_track_converted(plan: RenderPlan, tmp_path: Path) -> None:
    at_48 = replace(plan, folder=tmp_path / "at-48", rate=48_000)
    assert render(plan) == render(at_48) == Outcome(2, [])
    own, own_rate = soundfile.read(plan.folder / "01-one.wav", dtype="float32")
    there, rate = soundfile.read(at_48.folder / "01-one.wav", dtype="float32")
    assert (own_rate, rate) == (44_100, 48_000)
    assert np.array_equal(there, soxr.resample(own, 44_100, 48_000, quality="VHQ"))
    same, other = (soundfile.read(folder / "02-two.wav") for folder in (plan.folder, at_48.folder))
    assert np.array_equal(same[0], other[0])


def test_the_rounds_are_at_that_rate_too(plan: RenderPlan, tmp_path: Path) -> None:
    at_96 = replace(plan, folder=tmp_path / "at-96", rate=96_000)
    assert render(at_96) == Outcome(2, [])
    assert {soundfile.info(path).samplerate for path in at_96.folder.glob("*.wav")} == {96_000}
    assert "96000 Hz" in (at_96.folder / "montage-places.txt").read_text(encoding="utf-8")
