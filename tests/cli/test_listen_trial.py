"""A whole blind trial as it is used, into a file: what sounded in each round is what the record says."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.blind_test.result import DiscriminationResult, result
from simulator.blind_test.trial import replay
from simulator.cli.app import run

RATE = 44100
SECONDS = 3.4
"""How long each letter sounds: two seconds of swelling in, and one and more in full."""
PLAYLIST = """format = 1
profile = "minus14-headroom"
[[tracks]]
path = "open.wav"
title = "Song (open master)"
song = "song"
[[tracks]]
path = "loud.wav"
title = "Song (loud master)"
song = "song"
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two versions that can be told by their samples alone: noise, and the same noise clipped."""
    noise = np.random.default_rng(4).standard_normal((RATE * 9, 2)) * 0.05
    soundfile.write(tmp_path / "open.wav", noise, RATE, subtype="FLOAT")
    soundfile.write(tmp_path / "loud.wav", np.clip(noise * 8.0, -0.25, 0.25), RATE, subtype="FLOAT")
    (tmp_path / "list.toml").write_text(PLAYLIST, encoding="utf-8")
    for name in ("cache", "config", "data"):
        monkeypatch.setenv(f"XDG_{name.upper()}_HOME", os.fspath(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def clipped(samples: np.ndarray) -> bool:
    """Noise has a kurtosis of 3, clipped at 0.6 of its standard deviation one near 1."""
    flat = samples.ravel()
    return bool(np.mean(flat**4) / np.mean(flat**2) ** 2 < 2.0)


@pytest.mark.parametrize(("kind", "letters"), [("which", "abx"), ("preference", "ab")])
def test_what_sounded_under_each_letter_is_what_the_record_says(
    kind: str,
    letters: str,
    home: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    one_round = "".join(f"{letter}\nwait {SECONDS}\n" for letter in letters) + "answer B\n"
    script = f"state matched\ntrial {kind} 4\ny\n" + one_round * 4 + "quit\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(script))
    assert run(["listen", "list.toml", "--to-file", "out.wav"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    before, _, after = out.partition("Answer taken. Round 4 of 4:")
    assert "Start? (y/n)" in before
    assert after.count("Playing ") == len(letters)
    record = json.loads((home / "list.session.json").read_text(encoding="utf-8"))
    (act,) = (one for one in record["acts"] if one["kind"] == "trial")
    trial = replay(act["data"]["trial"])
    assert trial.finished
    assert [title["title"] for title in act["data"]["tracks"]] == ["Song (open master)", "Song (loud master)"]
    samples, rate = soundfile.read("out.wav", dtype="float64")
    assert rate == RATE
    each = round(SECONDS * RATE)
    heard = [
        clipped(samples[(index + 1) * each - RATE : (index + 1) * each - RATE // 20])
        for index in range(4 * len(letters))
    ]
    for number, drawn in enumerate(trial.draws):
        versions = [drawn.first, drawn.second, drawn.second if drawn.x_is_second else drawn.first]
        mine = heard[number * len(letters) : (number + 1) * len(letters)]
        assert mine == [version == 1 for version in versions[: len(letters)]]
    level = [
        np.mean(samples[(index + 1) * each - RATE : (index + 1) * each - RATE // 20] ** 2)
        for index in range(4 * len(letters))
    ]
    assert 10.0 * np.log10(max(level) / min(level)) < 0.2  # matched (K-weighting hears the clipping's treble)
    found = result(trial)
    if isinstance(found, DiscriminationResult):
        assert f"{found.correct} of 4 right" in after
    else:
        (pair,) = found.pairs
        assert f"{pair.for_first}, loud master {4 - pair.for_first} of 4" in " ".join(after.split())
    assert "no difference" not in out
