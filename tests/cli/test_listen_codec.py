"""Master, decode and difference at the desk, into a file: sample for sample what the codec gave back."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.signals import both, pink_noise

from simulator.cli.app import run
from simulator.common.units import db_to_gain
from simulator.desk.decodes import LaneJob, write_lane
from simulator.normalizer.profile import Delivery

pytestmark = pytest.mark.heavy
RATE = 44100
VORBIS = Delivery(codec="vorbis", bit_rate_kbps=96.0)


def test_the_three_ways_follow_each_other_at_the_same_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("cache", "config", "data"):
        monkeypatch.setenv(f"XDG_{name.upper()}_HOME", os.fspath(tmp_path / name))
    monkeypatch.chdir(tmp_path)
    noise = pink_noise(13 * RATE, seed=3, sample_rate=RATE)
    soundfile.write("song.wav", both(0.5 * noise / np.abs(noise).max()), RATE, subtype="PCM_24")
    lines = ["play", "wait 2", "codec vorbis 96", "wait 2", "codec off", "wait 2", "codec on", "wait 2"]
    lines += ["codec residual 3", "wait 4", "explain", "quit"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines)))
    assert run(["listen", "song.wav", "--profile", "untouched", "--to-file", "out.wav"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "after Vorbis at 96 kbit/s. The master is encoded" in said
    assert "Only the codec residual" in said
    assert "raised by 3 dB" in said
    lanes = {"master": soundfile.read("song.wav", dtype="float32")[0]}
    for lane in ("decoded", "difference"):
        write_lane(LaneJob("song.wav", VORBIS, lane, f"{lane}.wav"))  # type: ignore[arg-type]
        lanes[lane], rate = soundfile.read(f"{lane}.wav", dtype="float32")
        assert rate == RATE
    assert np.abs(lanes["difference"] - (lanes["decoded"] - lanes["master"])).max() < 1e-7
    assert np.abs(lanes["difference"]).max() > 1e-3
    out, _ = soundfile.read("out.wav", dtype="float32")
    trim = db_to_gain(-12.0)
    ways = [("master", 0.0), ("decoded", 0.0), ("master", 0.0), ("decoded", 0.0), ("difference", 3.0)]
    for number, (lane, gain_db) in enumerate(ways):
        late = 2.0 if lane == "difference" else 0.0  # it may swell in over two seconds
        middle = slice(round((2 * number + 0.5 + late) * RATE), round((2 * number + 1.5 + late) * RATE))
        expected = lanes[lane][middle] * np.float32(trim * db_to_gain(gain_db))
        # one frame of silence more or less at the start would be a difference of the whole wave
        assert np.abs(out[middle] - expected).max() < 2.0**-22, lane
