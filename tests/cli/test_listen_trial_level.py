"""In a blind trial the level alone must not tell: what leaves is equally loud, by its own frames."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import lfilter
from support.two_versions import TWO_VERSIONS

from simulator.cli.app import run

pytestmark = pytest.mark.heavy
RATE = 48_000
LETTER_SECONDS = 5.0
SHELF = ((1.53512485958697, -2.69169619938640, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585))
HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))
"""ITU-R BS.1770-5, Annex 1, Tables 1 and 2."""
PLAYLIST = f"""format = 1
profile = "minus14-down"
state = "matched"
{TWO_VERSIONS}"""


def drums(seconds: float) -> np.ndarray:
    """A soft bed with a hit each 0.6 s, an accent each fourth: nearly all of the energy lies in the hits."""
    chance = np.random.default_rng(5)
    wave = chance.standard_normal(round(seconds * RATE)) * 0.01
    for number, at in enumerate(np.arange(0.35, seconds - 0.2, 0.6)):
        hit = chance.standard_normal(round(0.12 * RATE)) * np.exp(
            -np.arange(round(0.12 * RATE)) / (0.03 * RATE)
        )
        wave[round(at * RATE) :][: hit.shape[0]] += hit * (0.5 if number % 4 == 1 else 0.25)
    return np.stack([wave, wave], axis=1) / np.abs(wave).max() * 0.7


@pytest.mark.parametrize(("mono", "profile"), [(False, "minus14-down"), (True, "minus14-limited")])
def test_short_loops_of_drums_at_an_offset_are_equally_loud_under_both_letters(
    mono: bool, profile: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The loud one lies 50 ms later: between the steps of its series. By those: 1 to 2 LU apart."""
    song = drums(12.0)
    loud = np.tanh(song * 3.0) / 1.2
    late = np.concatenate([np.zeros((RATE // 20, 2)), loud])
    soundfile.write(tmp_path / "open.wav", song[:, 0] if mono else song, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "loud.wav", late, RATE, subtype="PCM_24")
    (tmp_path / "list.toml").write_text(PLAYLIST, encoding="utf-8")
    for name in ("cache", "config", "data"):
        monkeypatch.setenv(f"XDG_{name.upper()}_HOME", os.fspath(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    wait = f"wait {LETTER_SECONDS:g}"
    lines = [
        "loop 6 7",
        "stop",
        "loop 6 7",
        "trial preference 2",
        "y",
        "a",
        wait,
        "b",
        wait,
        "answer A",
        "a",
        wait,
    ]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines)))
    assert run(["listen", "list.toml", "--profile", profile, "--to-file", "out.wav"]) == 0
    samples, _ = soundfile.read("out.wav")
    energy = (lfilter(*HIGH_PASS, lfilter(*SHELF, samples, axis=0), axis=0) ** 2).sum(1)
    each, levels = round(LETTER_SECONDS * RATE), []
    for letter in range(3):  # a whole loop of one second, before the next switch
        end = samples.shape[0] - letter * each - RATE // 10
        levels.append(-0.691 + 10.0 * np.log10(energy[end - RATE : end].mean()))
    assert max(levels) - min(levels) < 0.02
    acts = json.loads((tmp_path / "list.session.json").read_text(encoding="utf-8"))["acts"]
    (trial,) = [act for act in acts if act["kind"] == "trial"]
    plan = trial["data"]["trial"]["plan"]
    assert (plan["passage_s"], plan["level_difference_lu"]) == (1.0, pytest.approx(0.0, abs=1e-9))
