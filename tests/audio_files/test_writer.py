"""Writing audio: very long files, and files that the disk has no room for."""

from __future__ import annotations

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.audio_files import writer
from simulator.audio_files.writer import write_audio

RATE = 44_100


def blocks() -> list[np.ndarray]:
    return list(np.random.default_rng(3).uniform(-0.1, 0.1, (4, 10_000, 2)).astype(np.float32))


@pytest.mark.parametrize(("form", "limit", "container"), [
    ("float32", 40_000 * 2 * 4 - 1, "RF64"),
    ("float32", 40_000 * 2 * 4, "WAV"),
    ("wav24", 40_000 * 2 * 3 - 1, "RF64"),
    ("flac24", 1, "FLAC"),
])  # fmt: skip
def test_what_a_wav_file_cannot_hold_becomes_an_rf64_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str, limit: int, container: str
) -> None:
    """A WAV header counts bytes in 32 bits (EBU Tech 3306 gives 64); the limit is lowered here."""
    monkeypatch.setattr(writer, "WAV_LIMIT", limit)
    path = tmp_path / "long.wav"
    write_audio(path, blocks(), RATE, 2, form, False, False, frames=40_000)
    assert soundfile.info(path).format == container
    assert np.abs(soundfile.read(path)[0] - np.concatenate(blocks())).max() <= 2.0**-24


@pytest.mark.parametrize("optimised", [[], ["-O"]], ids=["python", "python -O"])
def test_a_file_that_the_system_cuts_short_is_an_error_with_and_without_asserts(
    tmp_path: Path, optimised: list[str]
) -> None:
    """libsndfile's Python side notices a short write by an assert, which -O drops."""
    pytest.importorskip("resource", reason="limits on file sizes are a matter of POSIX")
    code = (
        "import resource, signal, sys; from pathlib import Path; import numpy as np\n"
        "from simulator.common.errors import SimulatorError\n"
        "from simulator.audio_files.writer import write_audio\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))\n"
        "try: write_audio(Path(sys.argv[1]), [np.zeros((10_000, 2), np.float32)] * 4, 44_100, 2, 'float32',"
        " False, False)\n"
        "except SimulatorError as problem: print(problem.message)\n"
    )
    path = tmp_path / "cut.wav"
    run = [sys.executable, *optimised, "-c", code, str(path)]
    done = subprocess.run(run, capture_output=True, text=True, timeout=60, check=True)
    assert "cut.wav" in done.stdout
    assert list(tmp_path.iterdir()) == []


def cues_by_libsndfile(path: Path) -> list[tuple[int, str]]:
    """Frame and label of each cue point as libsndfile reads them (sf_command SFC_GET_CUE, 0x10CE): a count,
    then for each point six 32-bit numbers, the last its frame, and a name of 256 bytes (sndfile.h)."""
    buffer = bytearray(4 + 100 * 280)
    with soundfile.SoundFile(path) as file:
        found = soundfile._snd.sf_command(file._file, 0x10CE, soundfile._ffi.from_buffer(buffer), len(buffer))
    count = struct.unpack_from("<I", buffer)[0] if found else 0
    cues = []
    for at in range(4, 4 + count * 280, 280):
        *_, frame, name = struct.unpack_from("<iIiiiI256s", buffer, at)
        cues.append((frame, name.split(b"\0")[0].decode()))
    return cues


@pytest.mark.parametrize("limit", [1 << 32, 1], ids=["WAV", "RF64"])
@pytest.mark.parametrize(("form", "channels"), [("float32", 2), ("wav24", 1)])
def test_cue_points_are_read_by_libsndfile_and_the_sound_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: int, form: str, channels: int
) -> None:
    """9,999 mono frames of 24 bits are an odd number of bytes."""
    monkeypatch.setattr(writer, "WAV_LIMIT", limit)
    parts = [block[:9_999, :channels] for block in blocks()[:1]]
    cues = [(9_998, "the end"), (0, "odd"), (441, "Größe – “chorus”")]
    for path, given in ((tmp_path / "cues.wav", cues), (tmp_path / "plain.wav", [])):
        write_audio(path, parts, RATE, channels, form, False, False, 9_999, given)
    data = (tmp_path / "cues.wav").read_bytes()
    if limit > 1:
        assert cues_by_libsndfile(tmp_path / "cues.wav") == sorted(cues)
    else:  # libsndfile looks for cue points in WAV files only: the bytes are those of the WAV file
        write_audio(tmp_path / "as.wav", parts, RATE, channels, form, False, False, 0, cues)
        plain = (tmp_path / "as.wav").read_bytes()
        assert data[data.rindex(b"cue ") :] == plain[plain.rindex(b"cue ") :]
    assert cues_by_libsndfile(tmp_path / "plain.wav") == []
    with_cues, without = (soundfile.read(tmp_path / name)[0] for name in ("cues.wav", "plain.wav"))
    assert np.array_equal(with_cues, without)
    size = (
        struct.unpack_from("<Q", data, 20)[0] if data[:4] == b"RF64" else struct.unpack_from("<I", data, 4)[0]
    )
    assert size == len(data) - 8
