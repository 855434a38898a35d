"""The folder of a session's lanes: private, removed at the end, and by the next session where it was not."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from simulator.common.errors import WriteError
from simulator.deck.lanes import Scratch


def test_the_folder_is_the_user_s_alone_and_goes(tmp_path: Path) -> None:
    scratch = Scratch(tmp_path)
    assert scratch.folder == tmp_path / "scratch" / str(os.getpid())
    assert stat.S_IMODE(scratch.folder.stat().st_mode) == 0o700
    assert scratch.free_bytes() > 0
    scratch.close()
    scratch.close()
    assert list((tmp_path / "scratch").iterdir()) == []


def test_dead_sessions_folders_go_and_living_ones_stay(tmp_path: Path) -> None:
    dead = tmp_path / "scratch" / "4194999"
    dead.mkdir(parents=True)
    (dead / "lock").touch()
    (dead / "lane-1-1.f32").write_bytes(bytes(100))
    (tmp_path / "scratch" / "4194998-2").mkdir()  # its process was gone before it had a lock
    living = Scratch(tmp_path)
    second = Scratch(tmp_path)  # two in one process
    assert sorted(path.name for path in (tmp_path / "scratch").iterdir()) == [
        str(os.getpid()),
        f"{os.getpid()}-2",
    ]
    living.close()
    second.close()


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "scratch").write_text("in the way", encoding="utf-8")
    with pytest.raises(WriteError, match="prepared tracks cannot be made"):
        Scratch(tmp_path)
