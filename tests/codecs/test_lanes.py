"""Master, decode and difference lie on each other frame for frame, and a prediction measures that decode."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support import signals
from support.in_memory import play_array

from simulator.codecs.deliver import shift_between
from simulator.desk.decodes import LaneJob, difference, write_lane
from simulator.dsp.conversion import resample
from simulator.engine.predict import measure_tracks, predict
from simulator.engine.render import TrackJob, render_track
from simulator.metering.meter import measure_array
from simulator.metering.passage import Passage
from simulator.normalizer.chain import ChainSettings
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Delivery, Profile, parse_profile
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.measurement_cache import Store

RATE = 44_100
PROFILE = """
format = 1
title = "Coded"
sentence = "A codec, then a gain."
[loudness]
target_lufs = -10.0
uncertainty_db = 0.5
[gain]
upward = "unprotected"
unmeasurable_gain_db = 0.0
[encoding]
codec = "opus"
bit_rate_kbps = 96.0
bits = 24
full_scale = "{full_scale}"
[sources]
loudness.target_lufs = "project choice"
loudness.uncertainty_db = "project choice"
gain.unmeasurable_gain_db = "project choice"
encoding.bit_rate_kbps = "project choice"
encoding.bits = "project choice"
"""


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lanes") / "master.wav"
    wave = np.stack(
        [signals.noise_bursts(RATE, 3.0, seed=seed).ravel()[: 3 * RATE - 7] for seed in (1, 2)], 1
    )
    soundfile.write(path, 0.8 * wave / np.abs(wave).max(), RATE, subtype="PCM_24")
    os.utime(path, (1_700_000_000, 1_700_000_000))
    return path


def profile(full_scale: str) -> Profile:
    return parse_profile(PROFILE.format(full_scale=full_scale), "coded", "coded.toml")


def converted(master: Path) -> NDArray[np.float32]:
    """The master at the delivered rate (frames, 2)."""
    samples, _ = soundfile.read(master, dtype="float32")
    return np.concatenate(list(resample([samples], 2, RATE, 48_000)))


def test_both_lanes_have_the_frames_of_the_master_and_the_difference_is_theirs(
    master: Path, tmp_path: Path
) -> None:
    delivery, found = Delivery(codec="opus", bit_rate_kbps=96.0), {}
    for lane in ("decoded", "difference"):
        write_lane(LaneJob(str(master), delivery, lane, str(tmp_path / f"{lane}.wav")))  # type: ignore[arg-type]
        found[lane], rate = soundfile.read(tmp_path / f"{lane}.wav", dtype="float32")
        assert rate == 48_000
    found["master"] = converted(master)
    assert shift_between(found["master"], found["decoded"]) == 0
    assert np.array_equal(found["difference"], found["decoded"] - found["master"])
    assert 0.0 < np.std(found["difference"]) < np.std(found["master"])


def test_a_difference_does_not_depend_on_the_blocks() -> None:
    first = signals.white_noise(10_000, 1).reshape(-1, 2).astype(np.float32)
    second = signals.white_noise(10_000, 2).reshape(-1, 2).astype(np.float32)
    for size in (1, 700, 5000):
        blocks = [second[at : at + size] for at in range(0, 5000, size)]
        others = [first[at : at + 333] for at in range(0, 5000, 333)]
        assert np.array_equal(np.concatenate(list(difference(others, blocks, 2))), second - first)


@pytest.mark.parametrize("full_scale", ["none", "after_gain", "before_gain"])
def test_a_prediction_is_the_measurement_of_the_decode_through_the_chain(
    master: Path, tmp_path: Path, full_scale: str
) -> None:
    """Each step, the decode and what is played after the gain, against the same done by hand."""
    chosen = profile(full_scale)
    playlist = Playlist("", "", None, (Track(str(master), "master"),), "", "")
    store = Store(tmp_path / "cache", print)
    tracks = measure_tracks(playlist, store, 0)
    ((found,),) = predict([chosen], tracks, "", store, 0)
    assert isinstance(found, Prediction)
    assert chosen.delivery is not None
    write_lane(LaneJob(str(master), chosen.delivery, "decoded", str(tmp_path / "decoded.wav")))
    decoded, rate = soundfile.read(tmp_path / "decoded.wav", dtype="float32")
    by_hand = measure_array(decoded, rate)
    assert [name for name, _ in found.steps] == ["at 48 kHz", "in 24 bits at 48 kHz", "Opus at 96 kbit/s"]
    assert found.steps[-1][1].true_peak_dbtp == by_hand.true_peak_dbtp
    assert found.steps[-1][1].over_count == by_hand.over_count
    assert tracks[0].measurement is not None
    assert found.steps[0][1].true_peak_dbtp != tracks[0].measurement.true_peak_dbtp
    gain_db = found.decision.gain_db
    assert gain_db > 3.0  # so that there is something to hold to full scale
    played, _ = play_array(decoded, rate, ChainSettings(gain_db, full_scale=full_scale))  # type: ignore[arg-type]
    wanted = measure_array(played, rate)
    assert found.played.true_peak_dbtp == wanted.true_peak_dbtp
    assert found.played.over_count == wanted.over_count
    assert (found.played.sample_peak_dbfs or 0.0) <= 1e-6 or full_scale != "after_gain"
    again = predict([chosen], measure_tracks(playlist, store, 0), "", store, 0)[0][0]
    assert isinstance(again, Prediction)
    assert again.played.true_peak_dbtp == wanted.true_peak_dbtp
    assert len(list((tmp_path / "cache" / "encoded").iterdir())) == 1
    store.close()


def test_a_render_of_a_coded_profile_is_the_decode_through_the_chain(master: Path, tmp_path: Path) -> None:
    """Bit for bit, at the delivered rate; the cut "as delivered" is the master at that rate."""
    chosen = profile("after_gain")
    assert chosen.delivery is not None
    write_lane(LaneJob(str(master), chosen.delivery, "decoded", str(tmp_path / "decoded.wav")))
    soundfile.write(tmp_path / "master.wav", converted(master), 48_000, subtype="FLOAT")
    settings = ChainSettings(5.0, full_scale="after_gain")
    passage = Passage(1.0, 0.5, "")
    job = TrackJob(
        str(master),
        str(tmp_path / "x.wav"),
        settings,
        "float32",
        False,
        passage,
        None,
        chosen.delivery,
    )
    rate, delivered, played = render_track(job)
    decoded, _ = soundfile.read(tmp_path / "decoded.wav", dtype="float32")
    plain, _ = soundfile.read(tmp_path / "master.wav", dtype="float32")
    rendered, rendered_rate = soundfile.read(tmp_path / "x.wav", dtype="float32")
    wanted, _ = play_array(decoded, rate, settings)
    assert rate == rendered_rate == 48_000
    assert np.array_equal(rendered, wanted)
    assert np.array_equal(played, wanted[48_000:72_000])
    assert np.array_equal(delivered, plain[48_000:72_000])
