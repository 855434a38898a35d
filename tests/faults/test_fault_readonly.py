"""Folders that cannot be written: a session, a measurement and a render say so and lose nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

pytestmark = pytest.mark.heavy
RATE = 16_000


@pytest.fixture
def sealed(tmp_path: Path) -> Iterator[Path]:
    """A folder with a song and a playlist that nobody can write to, the system's user neither."""
    folder = tmp_path / "sealed"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "tmpfs", os.fspath(folder)]
    mounted = os.geteuid() == 0 and _works(mount)
    if os.geteuid() == 0 and not mounted:
        pytest.skip("root may write everywhere, and mounting is refused here")
    noise = np.random.default_rng(2).uniform(-0.2, 0.2, (3 * RATE, 2))
    soundfile.write(folder / "song.wav", noise, RATE)
    (folder / "list.toml").write_text('format = 1\n[[tracks]]\npath = "song.wav"\n', encoding="utf-8")
    if mounted:
        assert _works(["mount", "-o", "remount,ro", os.fspath(folder)])
    else:
        folder.chmod(0o555)
    yield folder
    if mounted:
        subprocess.run(["umount", os.fspath(folder)], timeout=10, check=True)
    else:
        folder.chmod(0o755)


def _works(command: list[str]) -> bool:
    try:
        return subprocess.run(command, capture_output=True, timeout=10, check=False).returncode == 0
    except FileNotFoundError:
        return False


def run(where: Path, words: str, home: Path, script: str = "") -> subprocess.CompletedProcess[str]:
    folders = {f"XDG_{name.upper()}_HOME": os.fspath(home / name) for name in ("cache", "config", "data")}
    return subprocess.run(
        [sys.executable, "-m", "simulator", *words.split()], input=script, cwd=where,
        env={**os.environ, **folders}, capture_output=True, text=True,
        encoding="utf-8", timeout=60, check=False,
    )  # fmt: skip


def test_a_session_beside_a_playlist_that_lies_there_says_so_goes_on_and_saves_a_copy(
    sealed: Path, tmp_path: Path
) -> None:
    done = run(sealed, "listen list.toml --to-file " + os.fspath(tmp_path / "out.wav"), tmp_path,
               "play\nwait 1\nnote too dull\nnote still\nmarks\nquit\n")  # fmt: skip
    words = " ".join(done.stdout.split())
    assert done.returncode == 4, done.stderr
    assert words.count("Not saved: cannot write the session file") == 1
    assert words.count("Still not saved.") >= 2  # each note
    assert "too dull" in words.partition("> marks")[2]
    assert "NOT saved in" in words
    assert "Session saved to" not in words
    assert soundfile.info(tmp_path / "out.wav").frames == pytest.approx(RATE, abs=0.02 * RATE)
    assert "Traceback" not in done.stdout + done.stderr


def test_results_that_should_go_there_are_refused_in_words(sealed: Path, tmp_path: Path) -> None:
    for words in ("render song.wav --out out", "page song.wav -o page.html", "profiles new mine.toml"):
        done = run(sealed, words, tmp_path)
        assert done.returncode == 4, (words, done.stdout, done.stderr)
        assert "cannot be written" in done.stderr or "cannot be made" in done.stderr, done.stderr
        assert "Traceback" not in done.stderr
    assert sorted(path.name for path in sealed.iterdir()) == ["list.toml", "song.wav"]


def test_a_cache_folder_that_cannot_be_written_costs_a_line(sealed: Path) -> None:
    done = run(sealed, "measure song.wav", sealed)
    assert done.returncode == 0, done.stderr
    assert "No cache:" in done.stderr
    assert "Integrated loudness" in done.stdout
