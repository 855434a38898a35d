"""Files that were cut while they were copied are told, whatever their format; whole ones are not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.audio_files.faults import is_chained, is_truncated, mp3_seconds
from simulator.audio_files.reader import AudioReader
from simulator.common.errors import AudioError

RATE = 44_100
FORMS = {
    "a.ogg": ("OGG", "VORBIS"),
    "a.opus": ("OGG", "OPUS"),
    "a.mp3": ("MP3", "MPEG_LAYER_III"),
    "a.rf64": ("RF64", "PCM_24"),
    "a.w64": ("W64", "PCM_24"),
    "a.wav": ("WAV", "PCM_24"),
    "a.aiff": ("AIFF", "PCM_24"),
    "a.flac": ("FLAC", "PCM_24"),
}


def written(folder: Path, name: str) -> Path:
    container, subtype = FORMS[name]
    noise = np.random.default_rng(2).uniform(-0.3, 0.3, (3 * RATE, 2)).astype(np.float32)
    rate = 48_000 if subtype == "OPUS" else RATE
    soundfile.write(folder / name, noise, rate, format=container, subtype=subtype)
    return folder / name


def frames(path: Path) -> int:
    with AudioReader(str(path)) as reader:
        return sum(block.shape[0] for block in reader)


@pytest.mark.parametrize("name", FORMS)
def test_a_whole_file_is_read_to_its_end(tmp_path: Path, name: str) -> None:
    assert frames(written(tmp_path, name)) == 3 * RATE


@pytest.mark.parametrize("name", FORMS)
@pytest.mark.parametrize("share", [0.35, 0.5, 0.9])
def test_a_file_that_was_cut_is_not_measured_as_a_whole_one(tmp_path: Path, name: str, share: float) -> None:
    path = written(tmp_path, name)
    data = path.read_bytes()
    path.write_bytes(data[: round(share * len(data)) + 1])
    with pytest.raises(AudioError, match=r"is truncated|decoder stopped|can be read|cannot read this"):
        frames(path)


@pytest.mark.parametrize("begin", [b"", b"ID3\x04\0\0\0\0\x02\x00" + bytes(256)])
def test_an_mp3_tells_its_length_behind_tags_of_any_length(tmp_path: Path, begin: bytes) -> None:
    path = written(tmp_path, "a.mp3")
    data = begin + path.read_bytes()
    path.write_bytes(data)
    assert not is_truncated(str(path), "MP3")
    path.write_bytes(data + b"TAG" + bytes(125))  # the older tag stands at the end
    assert not is_truncated(str(path), "MP3")
    path.write_bytes(data[:-4_000])
    assert is_truncated(str(path), "MP3")


@pytest.mark.parametrize("data", [b"", b"OggS", b"ID3", b"\xff\xfb\x90", b"ID3\x04\0\0\x7f\x7f\x7f\x7f"])
def test_what_tells_nothing_is_not_called_cut_or_is_cut_in_its_header(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a"
    path.write_bytes(data)
    assert is_truncated(str(path), "OGG") is (data == b"OggS")
    assert not is_truncated(str(path), "MP3")
    assert not is_truncated(str(path), "WAV")


def test_letters_by_chance_in_the_last_page_are_no_page(tmp_path: Path) -> None:
    path = written(tmp_path, "a.ogg")
    data = bytearray(path.read_bytes())
    data[-200:-194] = b"OggS\x07\xff"
    path.write_bytes(data)
    assert not is_truncated(str(path), "OGG")


def test_a_file_of_unknown_length_is_refused_in_words(tmp_path: Path) -> None:
    """RFC 9639: a total of 0 samples stands for an unknown one."""
    path = written(tmp_path, "a.flac")
    data = bytearray(path.read_bytes())
    place = data.index(b"fLaC") + 8 + 10  # block header, then sizes, then rate, channels, bits, total
    data[place + 3] &= 0xF0
    data[place + 4 : place + 8] = bytes(4)
    path.write_bytes(data)
    with pytest.raises(AudioError, match="does not state the length"):
        frames(path)


@pytest.mark.parametrize(("first", "second"), [("a.ogg", "a.ogg"), ("a.ogg", "a.opus"), ("a.opus", "a.opus")])
def test_a_chained_file_is_not_measured_as_its_first_part(tmp_path: Path, first: str, second: str) -> None:
    """libsndfile tells an absurd length where both parts have one rate, and drops the second where not."""
    data = written(tmp_path, first).read_bytes() + written(tmp_path, second).read_bytes()
    path = tmp_path / f"both{Path(first).suffix}"
    path.write_bytes(data)
    with pytest.raises(AudioError, match=r"several recordings in a row .* as a separate file"):
        frames(path)


def test_streams_that_lie_side_by_side_are_no_chain(tmp_path: Path) -> None:
    """RFC 3533, 4: all of them begin before any goes on. What is no page is nothing that follows."""
    data = written(tmp_path, "a.ogg").read_bytes()
    first = 28 + data[27]  # the page that begins the stream: its header, and one packet
    path = tmp_path / "x.ogg"
    for text, chain in (
        (data[:first] + data, False),
        (data + data[:first], True),
        (data + b"TAG" * 9, False),
    ):
        path.write_bytes(text)
        assert is_chained(str(path)) is chain


RANDOM = np.random.default_rng(4).bytes(100_000)
ID3 = b"ID3\x04\0\0\0\0\x02\x00" + bytes(256)


@pytest.mark.parametrize("between", [b"", ID3, b"TAG" + bytes(125) + ID3, b"\xff\xfb\x90" * 50])
@pytest.mark.parametrize("tagged", [True, False])
def test_an_mp3_of_two_recordings_is_not_measured_as_its_first(
    tmp_path: Path, between: bytes, tagged: bool
) -> None:
    """The second one with a tag of its length or without."""
    data = written(tmp_path, "a.mp3").read_bytes()
    second = data if tagged else data[417:]
    path = tmp_path / "both.mp3"
    path.write_bytes(data + between + second)
    with pytest.raises(AudioError, match=r"only the first 0:03\.0 of 0:06\.[012] in this MP3"):
        frames(path)


def test_an_mp3_that_does_not_say_its_length_is_read_whole_or_refused(tmp_path: Path) -> None:
    """Without the tag libsndfile takes the first frame's bit rate for all."""
    data = written(tmp_path, "a.mp3").read_bytes()
    path = tmp_path / "untagged.mp3"
    path.write_bytes(data[417:])
    with pytest.raises(AudioError, match=r"of 0:03\.[01] in this MP3 can be read"):
        frames(path)


@pytest.mark.parametrize("rate", [8_000, 16_000, 22_050, 32_000, 44_100, 48_000])
@pytest.mark.parametrize("end", [b"TAG" + bytes(125), RANDOM])
def test_the_frames_of_an_mp3_are_as_long_as_what_went_in(tmp_path: Path, rate: int, end: bytes) -> None:
    """And what stands behind them is no music, though headers may stand in it by chance."""
    noise = np.random.default_rng(3).uniform(-0.3, 0.3, (3 * rate, 2)).astype(np.float32)
    soundfile.write(tmp_path / "a.mp3", noise, rate, format="MP3", subtype="MPEG_LAYER_III")
    path = tmp_path / "b.mp3"
    path.write_bytes(ID3 + (tmp_path / "a.mp3").read_bytes() + end)
    seconds, one = mp3_seconds(str(path))
    assert 3.0 <= seconds <= 3.0 + 5 * one
    assert frames(path) == 3 * rate
