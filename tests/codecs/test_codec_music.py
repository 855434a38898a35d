"""Real music through every codec and back, against a second decoder and against itself."""

from __future__ import annotations

import shutil
import subprocess
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from support.external import require_external

from simulator.audio_files.reader import AudioReader
from simulator.codecs import codec
from simulator.codecs.deliver import Delivering, shift_between
from simulator.metering.meter import measure_array
from simulator.normalizer.codec_records import CODECS
from simulator.normalizer.profile import Delivery

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


def second_decoder(path: Path) -> Audio:
    """libavcodec, through PyAV: for Vorbis, Opus and MP3 another decoder than ours."""
    av = pytest.importorskip("av", reason="the second decoder is PyAV")
    pieces = []
    with av.open(str(path)) as file:
        stream = file.streams.audio[0]
        resampler = av.AudioResampler(format="fltp")
        for frame in file.decode(stream):
            pieces += [one.to_ndarray().T for one in resampler.resample(frame)]
    return np.concatenate(pieces)


@pytest.mark.parametrize("song", SONGS)
@pytest.mark.parametrize("name", list(RATES))
def test_the_music_comes_back_in_place_and_as_loud(
    music_files: dict[str, Path], name: str, song: str
) -> None:
    """To the frame at every rate; within 0.3 LU at the higher ones."""
    if name == "aac":
        pytest.importorskip("av", reason="AAC is the optional extra")
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


@pytest.mark.parametrize("song", SONGS[:2])
@pytest.mark.parametrize("name", ["vorbis", "opus", "mp3"])
def test_the_decoded_peaks_are_those_that_another_decoder_gives(
    music_files: dict[str, Path], tmp_path: Path, name: str, song: str
) -> None:
    """Within 0.02 dB, sample peak and true peak; and all in all the same samples (Opus decoders may differ at
    single ones: RFC 6716, 6, allows it)."""
    rate = codec.codec_rate(name, RATE)
    path = tmp_path / f"x.{CODECS[name].extension}"
    samples = excerpt(music_files[song])
    delivery = Delivery(codec=name, bit_rate_kbps=128.0)  # type: ignore[arg-type]
    frames = codec.encode([samples], rate, 2, delivery, path)  # taken to stand at that rate
    ours, theirs = np.concatenate(list(codec.decode(path, frames))), second_decoder(path)
    mine, other = measure_array(ours, rate), measure_array(theirs, rate)
    assert mine.sample_peak_dbfs == pytest.approx(other.sample_peak_dbfs, abs=0.02)
    assert mine.true_peak_dbtp == pytest.approx(other.true_peak_dbtp, abs=0.02)
    length = min(ours.shape[0], theirs.shape[0])
    assert length >= ours.shape[0] - 2
    assert float(np.std(ours[:length] - theirs[:length]) / np.std(ours)) < 1e-3


@pytest.mark.parametrize("song", SONGS)
def test_aac_comes_back_as_from_a_decoder_of_another_family(
    music_files: dict[str, Path], tmp_path: Path, song: str
) -> None:
    """FAAD2 (Debian's package faad) shares no code with ours; in float, every sample, and so every peak."""
    pytest.importorskip("av", reason="AAC is the optional extra")
    faad = shutil.which("faad")
    if faad is None:
        require_external("The second AAC decoder is missing: Debian's package faad.")
    path, wave = tmp_path / "x.m4a", tmp_path / "x.wav"
    delivery = Delivery(codec="aac", bit_rate_kbps=192.0)
    frames = codec.encode([excerpt(music_files[song])], RATE, 2, delivery, path)
    ours = np.concatenate(list(codec.decode(path, frames)))
    subprocess.run([faad, "-q", "-b", "4", "-o", wave, path], check=True, capture_output=True, timeout=60)
    theirs, rate = soundfile.read(wave, dtype="float32", frames=frames)
    assert rate == RATE
    assert np.abs(ours - theirs).max() < 1e-5
    mine, other = measure_array(ours, RATE), measure_array(theirs, RATE)
    assert mine.true_peak_dbtp == pytest.approx(other.true_peak_dbtp, abs=0.02)


@pytest.mark.parametrize("name", list(RATES))
@pytest.mark.parametrize("rate", [48_000, 96_000])
def test_other_rates_stay_in_place(music_files: dict[str, Path], name: str, rate: int) -> None:
    """The excerpt is taken to stand at that rate: a codec does not know better."""
    if name == "aac":
        pytest.importorskip("av", reason="AAC is the optional extra")
    master, decoded, _ = through(
        excerpt(music_files["feelings-song"]),
        Delivery(codec=name, bit_rate_kbps=192.0, bits=16),  # type: ignore[arg-type]
        rate,
    )
    assert decoded.shape == master.shape
    assert shift_between(master, decoded) == 0


def test_an_hour_stays_in_place_to_its_last_frame(music_files: dict[str, Path]) -> None:
    """Vorbis, as the quickest."""
    piece = np.ascontiguousarray(excerpt(music_files["freedom-song"])[:, :1])
    count = 450
    trip = Delivering(RATE, 1, Delivery(codec="vorbis", bit_rate_kbps=64.0))
    frames = 0
    last: list[Audio] = []
    for block in trip(piece for _ in range(count)):
        frames += block.shape[0]
        last = [*last, block][-20:]
    assert frames == count * piece.shape[0]
    end = np.concatenate(last)[-5 * RATE :]
    assert shift_between(piece[-5 * RATE :], end) == 0
