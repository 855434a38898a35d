"""Real music through every codec and back, against a second decoder and against itself."""

from __future__ import annotations

import json
import shutil
import subprocess
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support import ebur128
from support.external import require_external
from support.true_peak_reference import true_peak_dbtp

from simulator.audio_files.reader import AudioReader
from simulator.cli.app import run
from simulator.codecs import codec
from simulator.codecs.deliver import Delivering, shift_between
from simulator.metering.meter import measure_array
from simulator.normalizer.codec_records import CODECS
from simulator.normalizer.profile import Delivery

av = pytest.importorskip("av", reason="AAC and the second decoder are PyAV")

pytestmark = [pytest.mark.heavy, pytest.mark.external]

RATE = 44_100
SONGS = ("chaosland-song", "feelings-song", "madness-song", "freedom-song")
RATES = {
    "vorbis": (96.0, 192.0),
    "opus": (64.0, 160.0),
    "mp3": (128.0, 256.0),
    "aac": (128.0, 192.0),
}
HIGHER = {"vorbis": 160.0, "opus": 128.0, "mp3": 192.0, "aac": 192.0}
Audio = NDArray[np.float32]


@lru_cache(maxsize=4)
def excerpt(path: Path) -> Audio:
    """Eight seconds from the middle; the file is decoded whole."""
    with AudioReader(str(path)) as reader:
        samples = np.concatenate(list(reader))
    middle = samples.shape[0] // 2
    return samples[middle : middle + 8 * RATE]


def through(samples: Audio, delivery: Delivery, rate: int = RATE) -> tuple[Audio, Audio, int]:
    """The converted master, its decode, and their rate."""
    kept: list[Audio] = []

    def watch(blocks: Any) -> Any:
        for block in blocks:
            kept.append(block)
            yield block

    trip = Delivering(rate, samples.shape[1], delivery, watch=watch)
    decoded = np.concatenate(list(trip([samples])))
    return np.concatenate(kept), decoded, trip.sample_rate


def other_decode(path: Path) -> Audio:
    """By a decoder that shares no code with the program's: libavcodec's own (through PyAV) where ours is
    libsndfile; FAAD2 (Debian's package faad) where ours is libavcodec."""
    if path.suffix == ".m4a":
        faad, wave = shutil.which("faad"), path.with_suffix(".wav")
        if faad is None:
            require_external("The second AAC decoder is missing: Debian's package faad.")
        subprocess.run([faad, "-q", "-b", "4", "-o", wave, path], check=True, capture_output=True, timeout=60)
        return np.asarray(soundfile.read(wave, dtype="float32")[0])
    pieces = []
    with av.open(str(path)) as file:
        stream = file.streams.audio[0]
        assert stream.codec_context.codec.name in ("vorbis", "opus", "mp3float")  # none of them wraps another
        for frame in file.decode(stream):
            assert frame.format.name == "fltp"
            pieces.append(frame.to_ndarray().T)
    return np.concatenate(pieces)


@pytest.mark.parametrize("song", SONGS)
@pytest.mark.parametrize("name", list(RATES))
def test_the_music_comes_back_in_place_and_as_loud(
    music_files: dict[str, Path], name: str, song: str
) -> None:
    """To the frame at every rate; within 0.3 LU at the higher ones."""
    for kbps in RATES[name]:
        master, decoded, rate = through(
            excerpt(music_files[song]),
            Delivery(codec=name, bit_rate_kbps=kbps),  # type: ignore[arg-type]
        )
        assert decoded.shape == master.shape
        assert shift_between(master, decoded) == 0, kbps
        if kbps >= HIGHER[name]:
            before = measure_array(master, rate).integrated_lufs
            after = measure_array(decoded, rate).integrated_lufs
            assert before is not None
            assert after == pytest.approx(before, abs=0.3)


CODED = """format = 1
title = "Coded"
sentence = "A codec and nothing else."
[loudness]
target_lufs = "none"
[gain]
upward = "never"
[delivery]
codec = "{}"
bit_rate_kbps = {}
[sources]
delivery.bit_rate_kbps = "project choice"
"""


def test_every_figure_after_a_codec_is_that_of_another_decoder(
    music_files: dict[str, Path],
    libebur128: ebur128.Library,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What predict, check and ladder report of a hot master after each codec, against `other_decode` of the
    encoded files: true peak by the 16× meter within 0.02 dB, loudness by libebur128 within 0.01 LU.

    Measured with PyAV 18.1.0 (libavcodec 62.28), FAAD2 2.10.1 and libsndfile 1.2.2: every sample within 7e-6
    (Opus: 0.005, RMS 1.9e-4 of the music's; RFC 6716, 6, lets decoders differ), true peak within 0.008 dB,
    loudness within 0.004 LU. libebur128's own true peak, at 4×, reads up to 0.15 dB less or 0.11 dB more."""

    def told(command: str) -> Any:
        run(command.split())
        return json.loads(capsys.readouterr().out)

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.chdir(tmp_path)
    hot = np.clip(3.0 * excerpt(music_files["madness-song"])[: 6 * RATE], -0.99, 0.99)
    soundfile.write("hot.wav", hot, RATE, subtype="FLOAT")
    for name in RATES:
        Path(f"{name}.toml").write_text(CODED.format(name, HIGHER[name]), encoding="utf-8")
    players = ",".join(f"{name}.toml" for name in RATES)
    predicted = told(f"predict hot.wav --json --profile {players}")
    (checked,) = told(f"check hot.wav --json --for {players}")
    (rung,) = told(f"ladder hot.wav --json --loudness -6 --ceiling 0 --for {players}")["rungs"]
    for name, player in zip(RATES, predicted, strict=True):
        decoded = []
        for path in sorted((tmp_path / "cache").rglob(f"encoded/*.{CODECS[name].extension}")):
            frames, rate = int(path.stem.split("-")[-2]), codec.codec_rate(name, RATE)
            ours, theirs = np.concatenate(list(codec.decode(path, frames))), other_decode(path)[:frames]
            assert theirs.shape[0] >= frames - 2
            away = ours[: theirs.shape[0]] - theirs
            assert np.abs(away).max() < (0.01 if name == "opus" else 2e-5)
            assert np.std(away) < 5e-4 * np.std(ours)
            peak, by_library = true_peak_dbtp(theirs), libebur128.true_peak_dbtp(theirs, rate)
            assert peak is not None
            assert by_library is not None
            assert -0.3 < by_library - peak < 0.25
            decoded.append((peak, libebur128.integrated_lufs(theirs, rate)))
        (track,) = player["tracks"]
        (after,) = [
            one["value"]
            for one in checked["findings"]
            if one["check"] == "true_peak_after" and CODECS[name].title in one["name"]
        ]
        peak, lufs = max(decoded)  # everything else that was encoded is turned down, or a rung
        assert track["played_true_peak_dbtp"] == pytest.approx(peak, abs=0.02)
        assert track["played_integrated_lufs"] == pytest.approx(lufs, abs=0.01)
        assert after == pytest.approx(peak, abs=0.02)
        made = rung["decoded"][name]
        for figure in (made["true_peak_dbtp"], made["proved_dbtp"]):
            assert min(abs(figure - peak) for peak, _ in decoded) < 0.02, (name, made)
        assert made["holds"]
        assert made["proved_dbtp"] <= 0.0
        assert made["lowered_db"] == 0.0 or made["true_peak_dbtp"] > 0.0


@pytest.mark.parametrize("name", list(RATES))
@pytest.mark.parametrize("rate", [48_000, 96_000])
def test_other_rates_stay_in_place(music_files: dict[str, Path], name: str, rate: int) -> None:
    """The excerpt is taken to stand at that rate: a codec does not know better."""
    master, decoded, _ = through(
        excerpt(music_files["feelings-song"]),
        Delivery(codec=name, bit_rate_kbps=192.0, bits=16),  # type: ignore[arg-type]
        rate,
    )
    assert decoded.shape == master.shape
    assert shift_between(master, decoded) == 0


def test_twenty_minutes_stay_in_place_to_their_last_frame(music_files: dict[str, Path]) -> None:
    """Vorbis, as the quickest."""
    piece = np.ascontiguousarray(excerpt(music_files["freedom-song"])[:, :1])
    count = 150
    trip = Delivering(RATE, 1, Delivery(codec="vorbis", bit_rate_kbps=64.0))
    frames = 0
    last: list[Audio] = []
    for block in trip(piece for _ in range(count)):
        frames += block.shape[0]
        last = [*last, block][-20:]
    assert frames == count * piece.shape[0]
    end = np.concatenate(last)[-5 * RATE :]
    assert shift_between(piece[-5 * RATE :], end) == 0
