"""Writing audio: very long files, and files that the disk has no room for."""

from __future__ import annotations

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
