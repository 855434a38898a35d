"""The Python interface: paths or arrays in, the program's frozen values out, no process started."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import signals

import simulator
from simulator.common.errors import AudioError, ProfileError, UsageError, WriteError

RATE = 44_100
SCRIPT = """
import json, sys
from simulator import check, compare, ladder, measure, predict
found = measure(sys.argv[1])
played = predict(sys.argv[1], player="minus14-limited")[0]
both = compare(sys.argv[2], sys.argv[1])
rungs = ladder(sys.argv[1], loudness_lufs=[-16.0])
(checked,) = check(sys.argv[2], target_lufs=-14.0, ceiling_dbtp=-1.0, players=["minus14-opus128"])
made = [rungs.rungs[0].measurement.integrated_lufs, len(checked.findings)]
print(json.dumps([found.integrated_lufs, played.decision.gain_db, both.delivered.gap.integrated_lu, *made]))
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


@pytest.mark.heavy
def test_a_script_without_a_main_guard_starts_no_process(tmp_path: Path) -> None:
    """With spawned workers Python would run the script again in each of them and end with an error."""
    soundfile.write(tmp_path / "open.wav", noise(0.2, 5), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "loud.flac", noise(0.4, 5), RATE, subtype="PCM_24")
    (tmp_path / "script.py").write_text(SCRIPT, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "script.py", "open.wav", "loud.flac"],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lufs, gain_db, gap, rung, findings = json.loads(done.stdout)
    assert gain_db == pytest.approx(-14.0 - lufs, abs=0.01) or gain_db < 0.0
    assert gap == pytest.approx(6.02, abs=0.01)
    assert rung == pytest.approx(-16.0, abs=0.1)
    assert findings > 5


class Cells(HTMLParser):
    """The texts of a table's cells."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.feed(text)

    def handle_data(self, data: str) -> None:
        self.texts += [data.strip()] if data.strip() else []


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> list[Any]:
    """One of each, made in a thread that is not the main one, as a notebook's server may do."""
    folder = tmp_path_factory.mktemp("results")
    for name, level in (("open", 0.2), ("loud <b>", 0.4)):
        soundfile.write(folder / f"{name}.wav", noise(level), RATE, subtype="PCM_24")
    open_, loud = folder / "open.wav", folder / "loud <b>.wav"
    found: list[Any] = []

    def work() -> None:
        found.append(simulator.measure(loud))
        found.append(simulator.predict(open_, loud))
        found.append(simulator.compare(loud, open_))
        found.append(simulator.ladder(open_, loudness_lufs=(-20.0, -16.0), players=("minus14-headroom",)))
        found.append(simulator.check(open_, loud, target_lufs=-14.0, ceiling_dbtp=-1.0))

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(folder / "cache"))
        thread = threading.Thread(target=work)
        thread.start()
        thread.join()
    assert len(found) == 5
    return found


def test_a_notebook_shows_each_result_as_a_table(results: list[Any]) -> None:
    measured, played, compared, climbed, checked = (Cells(one._repr_html_()).texts for one in results)
    assert "loud <b>" in measured
    assert f"{results[0].integrated_lufs:.1f}".replace("-", "−") in measured
    assert "open" in played
    assert f"{results[1][0].decision.gain_db:+.1f}".replace("-", "−") in played
    assert "+6.0" in compared
    assert "−16.0" in climbed
    assert "Ready: nothing to fix" in " ".join(checked) or "Not ready" in " ".join(checked)
    assert all("<b>" not in one._repr_html_() for one in results)


def test_each_result_draws_a_figure(results: list[Any]) -> None:
    text = pytest.importorskip("matplotlib.text")
    for result, expected in zip(
        results,
        ("loud <b>", "As played: ", "As delivered", "gain: LU louder", "ceiling −1.0 dBTP"),
        strict=True,
    ):
        shown = [one.get_text() for one in result.figure().findobj(text.Text)]
        assert any(expected in one for one in shown), shown


def test_without_matplotlib_a_figure_says_what_to_install(
    results: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(UsageError, match="pip install matplotlib"):
        results[0].figure()


def test_results_are_frozen_and_still_the_programs_own_values(results: list[Any]) -> None:
    measured, played, *_ = results
    with pytest.raises(AttributeError):
        measured.integrated_lufs = 0.0
    assert measured.with_gain(-6.0).name == "loud <b>"
    first, second = played
    assert (first.decision.gain_db, played.names) == (played[0].decision.gain_db, ("open", "loud <b>"))
    assert second.decision.gain_db < first.decision.gain_db


def test_rungs_are_written_and_nothing_is_overwritten(tmp_path: Path) -> None:
    mix = (noise(0.2), RATE)
    made = simulator.ladder(mix, loudness_lufs=(-20.0,), players=("untouched",), out=tmp_path / "rungs")
    assert made.rungs[0].path is not None
    assert Path(made.rungs[0].path).is_file()
    with pytest.raises(WriteError):
        simulator.ladder(mix, loudness_lufs=(-20.0,), players=("untouched",), out=tmp_path / "rungs")
