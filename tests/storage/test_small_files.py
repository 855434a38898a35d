"""Small files are read within bounds: no pipe holds the program up, no device fills its memory."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from simulator.storage.small_files import read_small


def test_an_ordinary_file_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"x" * 10)
    assert read_small(path, 10) == b"x" * 10


def test_a_file_over_the_limit_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "disk image"
    with open(path, "wb") as file:
        file.truncate(200 * 1024**3)  # holds no byte on the disk
    with pytest.raises(OSError, match="it is larger than 1 MB"):
        read_small(path, 1024 * 1024)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_without_a_writer_does_not_hold_the_program_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="it is not a regular file"):
        read_small(tmp_path / "pipe", 10)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="this system has no endless device")
def test_a_device_without_an_end_is_refused() -> None:
    with pytest.raises(OSError, match="it is not a regular file"):
        read_small("/dev/zero", 10)


def test_what_is_not_there_or_no_file_is_told_by_the_system(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_small(tmp_path / "none", 10)
    with pytest.raises(OSError, match=r"it is not a regular file|directory"):
        read_small(tmp_path, 10)
    with pytest.raises(OSError, match="null"):
        read_small("a\0b", 10)
