"""Plain samples read without libsndfile are libsndfile's, bit for bit; what lies otherwise is left to it."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.audio_files.reader import AudioInfo, AudioReader, open_pcm
from simulator.common.errors import AudioError

RATE = 48_000


def whole_range(frames: int, channels: int) -> np.ndarray:
    samples = np.random.default_rng(5).uniform(-1.0, 1.0, (frames, channels))
    samples[0], samples[-1] = -1.0, 1.0
    return samples


def info_of(path: Path, container: str, subtype: str, channels: int, frames: int) -> AudioInfo:
    return AudioInfo(str(path), container, subtype, RATE, channels, frames, None, False)


def read(path: Path, block_frames: int = 65_536) -> np.ndarray:
    with AudioReader(str(path), block_frames=block_frames) as reader:
        return np.concatenate(list(reader))


def by_libsndfile(path: Path) -> np.ndarray:
    return np.asarray(soundfile.read(path, dtype="float32", always_2d=True)[0])


@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("frames", [1, 999, 1000, 1001, 3001])
def test_every_sample_is_the_librarys(
    tmp_path: Path, container: str, subtype: str, channels: int, frames: int
) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, whole_range(frames, channels), RATE, format=container, subtype=subtype)
    plain = open_pcm(info_of(path, container, subtype, channels, frames))
    assert plain is not None
    plain.close()
    assert np.array_equal(read(path, 1000), by_libsndfile(path))


@pytest.mark.parametrize(
    ("container", "subtype"), [("RF64", "PCM_24"), ("WAV", "PCM_32"), ("WAV", "FLOAT"), ("AIFF", "PCM_24")]
)
def test_other_forms_are_left_to_the_library(tmp_path: Path, container: str, subtype: str) -> None:
    path = tmp_path / "a"
    soundfile.write(path, whole_range(500, 2), RATE, format=container, subtype=subtype)
    assert open_pcm(info_of(path, container, subtype, 2, 500)) is None
    assert np.array_equal(read(path), by_libsndfile(path))


def riff(*chunks: tuple[bytes, bytes]) -> bytes:
    body = b"".join(
        name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2) for name, data in chunks
    )
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


FORM = (b"fmt ", struct.pack("<HHIIHH", 1, 2, RATE, RATE * 6, 6, 24))
SAMPLES = bytes(range(256)) * 6


def test_chunks_of_odd_sizes_before_and_after_the_samples_are_stepped_over(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(
        riff((b"JUNK", b"odd"), FORM, (b"note", b"data"), (b"data", SAMPLES), (b"LIST", b"x" * 9))
    )
    plain = open_pcm(info_of(path, "WAV", "PCM_24", 2, 256))
    assert plain is not None
    plain.close()
    assert np.array_equal(read(path), by_libsndfile(path))
    assert read(path).shape == (256, 2)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, len(SAMPLES) - 6, len(SAMPLES) + 6])
def test_a_size_that_does_not_fit_is_left_to_the_library(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.wav"
    data = riff(FORM, (b"data", SAMPLES))
    place = data.index(b"data") + 4
    path.write_bytes(data[:place] + struct.pack("<I", size) + data[place + 4 :])
    assert open_pcm(info_of(path, "WAV", "PCM_24", 2, 256)) is None


def test_a_header_without_samples_or_with_endless_chunks_is_left_to_the_library(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    for data in (b"", b"RIFF", riff(FORM), riff(FORM, *[(b"JUNK", b"")] * 2000, (b"data", SAMPLES))):
        path.write_bytes(data)
        assert open_pcm(info_of(path, "WAV", "PCM_24", 2, 256)) is None


def test_a_file_that_is_cut_while_it_is_read_ends_too_early_in_words(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, whole_range(200_000, 2), RATE, subtype="PCM_24")
    with AudioReader(str(path), ahead=False, block_frames=10_000) as reader:
        blocks = iter(reader)
        next(blocks)
        with open(path, "r+b") as file:
            file.truncate(44 + 6 * 150_001 + 3)
        with pytest.raises(AudioError, match="file is truncated"):
            for _ in blocks:
                pass
