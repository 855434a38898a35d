"""The Python interface: paths or arrays in, the program's frozen values out, no process started."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support import signals

import simulator
from simulator.common.errors import AudioError, ProfileError

RATE = 44_100
SCRIPT = """
import json, sys
from simulator import compare, measure, predict
found = measure(sys.argv[1])
played = predict(sys.argv[1], player="minus14-limited")[0]
both = compare(sys.argv[2], sys.argv[1])
print(json.dumps([found.integrated_lufs, played.decision.gain_db, both.delivered.gap.integrated_lu]))
"""


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv("FAIRHEARING_IN_PROCESS", raising=False)


def noise(level: float, seconds: int = 8) -> np.ndarray:
    swell = 0.6 + 0.4 * np.sin(2.0 * np.pi * np.arange(seconds * RATE) / (3 * RATE))
    left, right = (signals.pink_noise(seconds * RATE, seed, RATE) for seed in (3, 4))
    found = np.stack([left, right], axis=1) * swell[:, np.newaxis]
    return (found / np.abs(found).max() * level).astype(np.float32)


def test_an_array_measures_as_pyloudnorm_measures_it_with_the_standards_filter() -> None:
    """pyloudnorm, "DeMan" weighting at 48 kHz: an independent implementation of ITU-R BS.1770."""
    pyloudnorm = pytest.importorskip("pyloudnorm")
    samples = np.stack([signals.pink_noise(8 * 48_000, seed, 48_000) for seed in (1, 2)], axis=1)
    samples = (samples / np.abs(samples).max() * 0.5).astype(np.float32)
    reference = pyloudnorm.Meter(48_000, filter_class="DeMan").integrated_loudness(samples.astype(np.float64))
    assert simulator.measure((samples, 48_000)).integrated_lufs == pytest.approx(reference, abs=0.01)


def test_a_path_and_its_samples_measure_alike(tmp_path: Path) -> None:
    samples = noise(0.5)
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    assert simulator.measure(tmp_path / "a.wav").integrated_lufs == pytest.approx(
        simulator.measure((samples, RATE)).integrated_lufs, abs=1e-9
    )


def test_two_versions_of_plain_gain_differ_by_that_gain() -> None:
    samples = noise(0.25)
    louder = samples * np.float32(2.0)
    found = simulator.compare((louder, RATE), (samples, RATE), players=("untouched", "r128"))
    assert found.delivered.gap.integrated_lu == pytest.approx(20.0 * np.log10(2.0), abs=1e-3)
    assert [played.profile.id for played in found.played] == ["untouched", "r128"]
    assert found.played[1].side.gap.integrated_lu == pytest.approx(0.0, abs=1e-3)


def test_an_album_player_sets_one_gain_for_all_tracks() -> None:
    tracks = ((noise(0.5), RATE), (noise(0.1), RATE))
    album = simulator.predict(*tracks, player="td1008-album")
    single = simulator.predict(*tracks, player="td1008-track")
    assert album[0].decision.gain_db == album[1].decision.gain_db
    assert single[0].decision.gain_db != single[1].decision.gain_db


def test_errors_are_the_programs_own() -> None:
    with pytest.raises(AudioError, match=r"missing\.wav"):
        simulator.measure("missing.wav")
    with pytest.raises(ProfileError):
        simulator.predict((noise(0.5), RATE), player="minus41")


def test_a_script_without_a_main_guard_starts_no_process(tmp_path: Path) -> None:
    """With spawned workers Python would run the script again in each of them and end with an error."""
    soundfile.write(tmp_path / "open.wav", noise(0.2), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "loud.flac", noise(0.4), RATE, subtype="PCM_24")
    (tmp_path / "script.py").write_text(SCRIPT, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "script.py", "open.wav", "loud.flac"],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lufs, gain_db, gap = json.loads(done.stdout)
    assert gain_db == pytest.approx(-14.0 - lufs, abs=0.01) or gain_db < 0.0
    assert gap == pytest.approx(6.02, abs=0.01)
