"""Levels over time of switches as delivered, as they leave the deck: into a file, and through a real sound
server (heavy)."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import fftconvolve
from support import ebur128
from support.sound_server import has_sound_server, heard, read_raw, sound_server

from simulator.cli.app import run

RATE = 44_100
APART_DB = 8.0
SCRIPT = """state delivered
play 1
wait 1
swap
wait 1
swap
wait 1
guard instant
y
swap
wait 1
guard on
swap
wait 1
swap
wait 1
"""
"""Up by the guard, down, up at once, down, up by the guard."""
WINDOW = RATE // 50
FADE = 221
"""Frames in which what played before goes out, 5 ms."""


def two_versions(folder: Path) -> Path:
    """The same tone, steady, 8 dB apart: levels are read exactly, and a click would stand out."""
    time = np.arange(20 * RATE) / RATE
    tone = 0.1 * np.sin(2 * np.pi * 441.0 * time)[:, np.newaxis] * np.ones((1, 2))
    soundfile.write(folder / "open.wav", tone, RATE, subtype="FLOAT")
    soundfile.write(folder / "loud.wav", tone * 10 ** (APART_DB / 20), RATE, subtype="FLOAT")
    rows = [
        f'[[tracks]]\npath = "{name}.wav"\ntitle = "Song ({name})"\nsong = "song"\nrole = "master"\n'
        for name in ("open", "loud")
    ]
    (folder / "list.toml").write_text("format = 1\n" + "".join(rows), encoding="utf-8")
    return folder / "list.toml"


def levels_db(sound: NDArray[np.float32]) -> NDArray[np.float64]:
    """The level of each window of 20 ms (whole periods of the tone) against the quieter version's."""
    whole = sound[: sound.shape[0] // WINDOW * WINDOW, 0].astype(np.float64).reshape(-1, WINDOW)
    quiet = np.percentile(np.sqrt(np.mean(whole**2, axis=1)), 20)
    return 20 * np.log10(np.maximum(np.sqrt(np.mean(whole**2, axis=1)), 1e-9) / quiet)


def checked(sound: NDArray[np.float32]) -> None:
    """Four seconds lie between the first switch and the last: up slowly, down, up at once, down, up
    slowly."""
    full = np.flatnonzero(sound.any(axis=1))
    found = levels_db(sound[full[0] + RATE // 10 : full[-1] - RATE // 10])
    assert found.min() > -4.0  # a 10 ms switch in a window of 20 ms; never silence
    assert found.max() < APART_DB + 0.1
    loud = found > APART_DB - 0.2
    middle = (found > 0.8) & ~loud
    edges = np.flatnonzero(np.diff(loud.astype(int)))
    ups, downs = edges[::2], edges[1::2]
    assert (len(ups), len(downs)) == (3, 2)
    rises = [int(middle[max(0, up - 30) : up + 1].sum()) * 0.02 for up in ups]
    assert 0.2 < rises[0] <= 0.42
    assert rises[1] <= 0.04  # instant
    assert 0.2 < rises[2] <= 0.42
    for down in downs:
        assert middle[down : down + 10].sum() <= 2  # at once
    # a click would be a step that neither the tone nor a 5 ms fade makes
    steepest = np.abs(np.diff(sound[:, 0].astype(np.float64))).max()
    loudest = float(np.abs(sound).max())
    assert steepest < loudest * (2 * np.pi * 441.0 / RATE + np.pi / 2 / (0.005 * RATE))


def test_switches_as_delivered_into_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("CACHE", "CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    monkeypatch.setattr(sys, "stdin", io.StringIO(SCRIPT))
    playlist = two_versions(tmp_path)
    assert run(["listen", str(playlist), "--to-file", str(tmp_path / "out.wav")]) == 0
    checked(soundfile.read(tmp_path / "out.wav", dtype="float32")[0])


@pytest.mark.heavy
@pytest.mark.external
@pytest.mark.skipif(not has_sound_server(), reason="needs PulseAudio (Debian: pulseaudio, pulseaudio-utils)")
def test_switches_as_delivered_through_a_sound_server(tmp_path: Path) -> None:
    playlist = two_versions(tmp_path)
    with sound_server(tmp_path / "sound") as server, server.recorded(tmp_path / "capture.raw"):
        folders = {f"XDG_{name}_HOME": str(tmp_path / name.lower()) for name in ("CACHE", "CONFIG", "DATA")}
        done = subprocess.run(
            [sys.executable, "-m", "simulator", "listen", os.fspath(playlist), "--device", "pulse"],
            input=SCRIPT,
            text=True,
            env={**os.environ, **folders, **server.environment},
            capture_output=True,
            timeout=90,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    checked(heard(read_raw(tmp_path / "capture.raw")))


REFERENCES = """state matched
loop 2 5
wait 4.3
reference
wait 3.7
reference
wait 4.2
reference
wait 1
"""
"""A loop of 3 s left 1.3 s into it, that of the reference left 0.7 s into it, and each taken up again."""


@pytest.mark.external
def test_a_reference_is_as_loud_as_the_master_and_each_goes_on_to_the_sample(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Levels by libebur128: the short-term loudness of each 3 s loop is that of its mean energy, ungated."""
    for name in ("CACHE", "CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(tmp_path / name.lower()))
    monkeypatch.setattr(sys, "stdin", io.StringIO(REFERENCES))
    sources = []
    for seed, name, gain, role in ((1, "song", 0.12, "master"), (2, "other", 0.03, "reference")):
        swell = 1.0 + 0.8 * np.sin(np.arange(10 * RATE) * seed**2 * np.pi / (5 * RATE))[:, np.newaxis]
        sources.append(np.random.default_rng(seed).standard_normal((10 * RATE, 2)) * gain * swell)
        soundfile.write(tmp_path / f"{name}.wav", sources[-1], RATE, subtype="FLOAT")
        with open(tmp_path / "list.toml", "a", encoding="utf-8") as rows:
            rows.write("format = 1\n" * (seed == 1))
            rows.write(f'[[tracks]]\npath = "{name}.wav"\ntitle = "{name}"\nrole = "{role}"\n')
    assert run(["listen", str(tmp_path / "list.toml"), "--to-file", str(tmp_path / "out.wav")]) == 0
    out, _ = soundfile.read(tmp_path / "out.wav")
    meter = ebur128.load()
    if meter is None:
        pytest.skip("needs libebur128 (Debian: libebur128-1)")
    passages = (out[: 3 * RATE], out[round(4.3 * RATE) : round(7.3 * RATE)])
    master, reference = (meter.max_short_term_lufs(one, RATE) for one in passages)
    assert master == pytest.approx(reference, abs=0.1)
    apart = [meter.max_short_term_lufs(one, RATE) for one in sources]
    assert apart[0] > apart[1] + 10.0
    chosen = placed(out[round(4.3 * RATE) + FADE :], sources[1])
    assert 0.0 < chosen < 4.0 * RATE  # the loudest 3 s
    assert placed(out[8 * RATE + FADE :], sources[0]) == round(3.3 * RATE)
    assert (
        placed(out[round(12.2 * RATE) + FADE :], sources[1]) == chosen + round(0.7 * RATE) - FADE
    )  # it came in late by that


def placed(sound: NDArray[np.float64], source: NDArray[np.float64]) -> int:
    """The frame of the source that the sound begins with; found on the half second behind its fade."""
    fade, length = RATE // 50, RATE // 2
    piece = sound[fade : fade + length, 0]
    products = fftconvolve(source[:, 0], piece[::-1], "valid")
    frame = int(np.argmax(products))
    there = source[frame : frame + length, 0]
    assert np.ptp((piece / there)[np.abs(there) > 1e-3]) < 1e-3  # a plain gain
    return frame - fade
