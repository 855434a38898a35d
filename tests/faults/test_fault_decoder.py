"""A decoder that crashes on a file, header or samples, of any format: the program lives and names the file.

The decoder is the real one; Python's `sitecustomize` has it abort, as a fault in C does, at any file whose
name begins with `crash`, in whatever process it is opened.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).resolve().parents[2]
CRASH = """
import os
import soundfile
real = soundfile.SoundFile.__init__
def opened(self, file, *rest, **named):
    if isinstance(file, str | bytes) and os.path.basename(os.fsdecode(file)).startswith("crash"):
        os.abort()
    real(self, file, *rest, **named)
soundfile.SoundFile.__init__ = opened
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("decoder")
    (found / "sitecustomize.py").write_text(CRASH, encoding="utf-8")
    noise = 0.1 * np.random.default_rng(1).standard_normal((8 * 44_100, 2))
    for name in ("good.wav", "crash.wav", "crash.flac", "crash.aiff"):
        soundfile.write(found / name, np.clip(noise, -1.0, 1.0), 44_100, subtype="PCM_24")
        os.utime(found / name, (1e9, 1e9))
    return found


def told(folder: Path, words: str, lines: str = "") -> subprocess.CompletedProcess[str]:
    places = {
        name: os.fspath(folder / "home") for name in ("XDG_CACHE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME")
    }
    return subprocess.run(
        [sys.executable, "-m", "simulator", *words.split()],
        cwd=folder, input=lines, capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, **places, "PYTHONPATH": f"{ROOT}{os.pathsep}{folder}"},
    )  # fmt: skip


@pytest.mark.heavy
@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("measure crash.wav", 4),
        ("measure --workers 1 --no-cache crash.flac good.wav crash.aiff", 1),
        ("predict good.wav crash.flac", 1),
        ("render good.wav crash.wav --out out", 1),
        ("check good.wav crash.aiff", 1),
        ("compare good.wav crash.wav", 4),
        ("ladder crash.wav", 4),
        ("page good.wav crash.flac --output page.html", 1),
    ],
)
def test_a_crash_of_the_decoder_costs_its_file_alone(folder: Path, words: str, code: int) -> None:
    done = told(folder, words)
    assert done.returncode == code, done.stderr
    for name in (name for name in words.split() if name.startswith("crash")):
        assert f"{name}: the decoder crashed on this file." in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.heavy
def test_a_crash_of_the_decoder_does_not_end_a_session(folder: Path) -> None:
    done = told(folder, "listen good.wav crash.wav --to-file heard.wav", "play\nwait 1\nnote kept\nquit\n")
    assert done.returncode == 1, done.stderr
    assert "crash.wav: the decoder crashed on this file." in done.stdout + done.stderr
    assert (folder / "heard.wav").exists()
    records = (folder / "home").rglob("*.session.json")  # pages of other tests have theirs
    assert any('"kept"' in record.read_text(encoding="utf-8") for record in records)
