"""Loudness tags read from files that an independent tagger (mutagen) has written."""

from __future__ import annotations

import struct
from pathlib import Path

import mutagen
import numpy as np
import pytest
import soundfile
from mutagen.id3 import TXXX
from mutagen.mp4 import MP4FreeForm

from simulator.api import measure
from simulator.audio_files.mp4 import encode_aac
from simulator.audio_files.tags import read_tags
from simulator.metering.loudness_tags import TagScheme

RATE = 48_000
SUBTYPES = {
    "flac": "PCM_16", "ogg": "VORBIS", "opus": "OPUS", "mp3": "MPEG_LAYER_III", "wav": "PCM_16",
    "aiff": "PCM_16", "m4a": "AAC",
}  # fmt: skip
MP4_NAME = "----:com.apple.iTunes:"


def sound(folder: Path, extension: str) -> Path:
    """A second of noise in that format."""
    path = folder / f"noise.{extension}"
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (RATE, 2)).astype(np.float32)
    if extension == "m4a":
        pytest.importorskip("av", reason="AAC is read and written through the optional extra")
        encode_aac([noise], RATE, 2, 128.0, path)
        return path
    container = {"ogg": "OGG", "opus": "OGG"}.get(extension, extension.upper())
    soundfile.write(path, noise, RATE, format=container, subtype=SUBTYPES[extension])
    return path


def tag(path: Path, **fields: str) -> Path:
    """These fields, written as the format holds them."""
    file = mutagen.File(path)
    if file.tags is None:
        file.add_tags()
    for name, text in fields.items():
        if path.suffix == ".m4a":
            file.tags[MP4_NAME + name] = MP4FreeForm(text.encode())
        elif path.suffix in (".mp3", ".wav", ".aiff"):
            file.tags.add(TXXX(encoding=3, desc=name, text=text))
        else:
            file.tags[name] = text
    file.save()
    return path


@pytest.mark.parametrize("extension", [one for one in SUBTYPES if one != "opus"])
def test_replaygain_is_read_in_every_format(tmp_path: Path, extension: str) -> None:
    path = sound(tmp_path, extension)
    assert read_tags(str(path)) is None
    tag(
        path,
        REPLAYGAIN_TRACK_GAIN="-7.60 dB",
        replaygain_album_gain="+1.25 dB",
        Replaygain_Track_Peak="0.500000",
        REPLAYGAIN_ALBUM_PEAK="1.000000",
    )
    found = read_tags(str(path))
    assert found is not None
    assert (found.scheme, found.track_gain_db, found.album_gain_db) == (TagScheme.REPLAYGAIN, -7.6, 1.25)
    assert found.track_peak_db == pytest.approx(-6.0206, abs=1e-4)
    assert found.album_peak_db == 0.0
    assert (found.header_gain_db, found.faults) == (None, ())


def test_opus_gains_count_on_top_of_the_headers_which_the_decoder_applies(tmp_path: Path) -> None:
    path = tag(sound(tmp_path, "opus"), R128_TRACK_GAIN="-573", R128_ALBUM_GAIN="111")
    found, before = read_tags(str(path)), measure(str(path)).integrated_lufs
    assert found is not None
    assert before is not None
    assert found.header_gain_db == 0.0
    turned_down = with_header_gain(path, -1536)
    after, low = read_tags(str(turned_down)), measure(str(turned_down)).integrated_lufs
    assert after is not None
    assert (after.header_gain_db, after.track_gain_db) == (-6.0, found.track_gain_db)
    assert low == pytest.approx(before - 6.0, abs=0.001)


def with_header_gain(path: Path, q78: int) -> Path:
    """A copy with that output gain in its header. RFC 7845, 5.1: a signed 16-bit number at byte 16 of the
    packet; RFC 3533: the page's checksum, of polynomial 04c11db7, at byte 22 (from memory)."""
    data = bytearray(path.read_bytes())
    packet = 27 + data[26]
    struct.pack_into("<h", data, packet + 16, q78)
    struct.pack_into("<I", data, 22, 0)
    check = 0
    for byte in data[: packet + sum(data[27:packet])]:
        check ^= byte << 24
        for _ in range(8):
            check = (check << 1 ^ (0x04C11DB7 if check & 0x80000000 else 0)) & 0xFFFFFFFF
    struct.pack_into("<I", data, 22, check)
    copy = path.with_name("turned.opus")
    copy.write_bytes(data)
    return copy


def test_no_file_and_no_audio_have_no_tags(tmp_path: Path) -> None:
    assert read_tags(str(tmp_path / "missing.flac")) is None
    (tmp_path / "odd.flac").write_bytes(b"fLaC" + b"\xff" * 100)
    assert read_tags(str(tmp_path / "odd.flac")) is None
