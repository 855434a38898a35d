"""M4A files (AAC, ALAC) are read where PyAV is there, and a clear sentence stands where it is not."""

from __future__ import annotations

import builtins
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from support import signals

from simulator.audio_files.reader import AudioReader, read_info
from simulator.codecs import codec
from simulator.common.errors import AudioError
from simulator.normalizer.profile import Delivery

pytestmark = pytest.mark.external


RATE = 44_100


def integers(frames: int = 30_001, bits: int = 16) -> NDArray[np.int32]:
    noise = np.stack([signals.white_noise(frames, 1), signals.white_noise(frames, 2)], axis=1)
    return np.rint(noise / np.abs(noise).max() * 0.9 * 2.0 ** (bits - 1)).astype(np.int32)


def write_alac(path: Path, values: NDArray[np.int32], bits: int) -> None:
    """By PyAV itself, independent of what reads it: frames of 4096, the last one shorter."""
    av = pytest.importorskip("av", reason="ALAC is read through the optional extra")
    kind = "s16p" if bits == 16 else "s32p"
    with av.open(str(path), "w", format="mp4") as out:
        stream: Any = out.add_stream("alac", rate=RATE)
        stream.layout, stream.format = "stereo", kind
        for at in range(0, values.shape[0], 4096):
            piece = values[at : at + 4096].T
            shaped = piece.astype(np.int16) if bits == 16 else piece.astype(np.int32) << 8
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(shaped), format=kind, layout="stereo")
            frame.sample_rate, frame.pts, frame.time_base = RATE, at, Fraction(1, RATE)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


@pytest.mark.parametrize("bits", [16, 24])
def test_alac_comes_back_bit_for_bit(bits: int, tmp_path: Path) -> None:
    values = integers(bits=bits)
    write_alac(tmp_path / "x.m4a", values, bits)
    with AudioReader(str(tmp_path / "x.m4a")) as reader:
        samples = np.concatenate(list(reader))
        info = reader.info
    assert (info.bits, info.lossy, info.channels, info.sample_rate) == (bits, False, 2, RATE)
    assert info.frames == values.shape[0]
    assert np.array_equal(samples, (values / 2.0 ** (bits - 1)).astype(np.float32))
    assert reader.content


def test_aac_is_read_as_lossy_with_its_own_length(tmp_path: Path) -> None:
    pytest.importorskip("av", reason="AAC is read through the optional extra")
    samples = (integers() / 2.0**16).astype(np.float32)
    codec.encode([samples], RATE, 2, Delivery(codec="aac", bit_rate_kbps=256.0), tmp_path / "x.m4a")
    info = read_info(str(tmp_path / "x.m4a"))
    assert (info.subtype, info.bits, info.lossy, info.frames) == ("AAC", None, True, samples.shape[0])
    with AudioReader(str(tmp_path / "x.m4a")) as reader:
        assert sum(block.shape[0] for block in reader) == samples.shape[0]


def test_a_damaged_m4a_is_named_with_the_cure(tmp_path: Path) -> None:
    pytest.importorskip("av", reason="M4A is read through the optional extra")
    (tmp_path / "x.m4a").write_bytes(b"\x00\x00\x00\x18ftypM4A " + bytes(200))
    with pytest.raises(AudioError, match="cannot read this as audio"):
        read_info(str(tmp_path / "x.m4a"))


def without_av(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def blocked(name: str, *rest: Any, **more: Any) -> Any:
        if name == "av":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", blocked)


def test_without_the_library_reading_and_encoding_say_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "x.m4a").write_bytes(b"\x00\x00\x00\x18ftypM4A " + bytes(200))
    without_av(monkeypatch)
    with pytest.raises(AudioError, match="PyAV library, which is not installed") as reading:
        read_info(str(tmp_path / "x.m4a"))
    assert 'pip install "fairhearing[aac]"' in reading.value.hint
    samples = np.zeros((100, 2), np.float32)
    with pytest.raises(AudioError, match="AAC needs the optional PyAV library") as writing:
        codec.encode([samples], RATE, 2, Delivery(codec="aac", bit_rate_kbps=256.0), tmp_path / "y.m4a")
    assert 'pip install "fairhearing[aac]"' in writing.value.hint
