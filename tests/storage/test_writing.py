"""Results are written whole or not at all, and nothing of the user's is replaced."""

from __future__ import annotations

import errno
import json
import os
import re
from pathlib import Path
from types import SimpleNamespace

import pytest

from simulator.common.errors import WriteError
from simulator.storage.process_life import name_mark
from simulator.storage.small_files import forget_files_read, read_small
from simulator.storage.writing import (
    CLAIM,
    acquire_lock,
    claimed,
    make_folder,
    refusal,
    refuse_existing,
    refuse_sources,
    whole_file,
    write_error,
)


def test_a_file_appears_only_when_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    with whole_file(path, force=False) as passing:
        passing.write_text("half")
        assert not path.exists()
        passing.write_text("whole")
    assert path.read_text() == "whole"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_failure_leaves_nothing_behind(tmp_path: Path) -> None:

    def fail() -> None:
        with whole_file(tmp_path / "a.txt", force=False) as passing:
            passing.write_text("half")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail()
    assert os.listdir(tmp_path) == []


def test_a_file_that_came_meanwhile_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"

    def write() -> None:
        with whole_file(path, force=False) as passing:
            passing.write_text("ours")
            path.write_text("theirs")

    with pytest.raises(WriteError, match="not overwritten"):
        write()
    assert path.read_text() == "theirs"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_force_replaces(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    with whole_file(path, force=True) as passing:
        passing.write_text("new")
    assert path.read_text() == "new"


def test_existing_results_are_refused_before_any_work(tmp_path: Path) -> None:
    taken = tmp_path / "a.txt"
    taken.touch()
    with pytest.raises(WriteError, match=r"a\.txt already exists"):
        refuse_existing([tmp_path / "new.txt", taken], force=False)
    refuse_existing([taken], force=True)


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(WriteError, match="cannot be written"):
        make_folder(tmp_path / "file" / "folder")


@pytest.mark.parametrize("force", [False, True])
def test_devices_pipes_and_folders_are_never_replaced(tmp_path: Path, force: bool) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "null.wav").symlink_to(os.devnull)
    (tmp_path / "folder.wav").mkdir()
    for name in ("pipe.wav", "null.wav", "folder.wav"):
        with pytest.raises(WriteError, match="not a regular file"):
            refuse_existing([tmp_path / name], force)


def test_what_this_command_has_read_is_not_replaced_with_force_either(tmp_path: Path) -> None:
    forget_files_read()
    path, other = tmp_path / "list.toml", tmp_path / "other.toml"
    for one in (path, other):
        one.write_text("a list")
    read_small(path, 100)
    refuse_existing([other], force=True)
    with pytest.raises(WriteError, match="never overwritten, even with --force"):
        refuse_existing([other, path], force=True)
    with pytest.raises(WriteError, match="never overwritten, even with --force"):
        refuse_sources([path], [])
    forget_files_read()
    refuse_existing([path], force=True)


def test_a_result_and_a_record_that_is_begun_later_are_not_the_same_file(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="never overwritten, even with --force"):
        refuse_sources([tmp_path / "a.session.json"], [str(tmp_path / "a.session.json")])
    refuse_sources([tmp_path / "a.wav"], [str(tmp_path / "a.session.json")])


@pytest.mark.skipif(os.name != "posix", reason="modes of POSIX")
@pytest.mark.parametrize("mode", [0o600, 0o640, 0o444])
def test_who_may_read_a_file_stays_as_it_was(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    path.chmod(mode)
    with whole_file(path, force=True) as passing:
        assert passing.stat().st_mode & 0o077 == mode & 0o077
        passing.write_text("new")
    assert (path.read_text(), path.stat().st_mode & 0o777) == ("new", mode)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_is_said_with_its_cure(tmp_path: Path) -> None:
    (tmp_path / "full").symlink_to("/dev/full")
    with (
        pytest.raises(WriteError, match="No space left") as caught,
        whole_file(tmp_path / "a.txt", force=False),
        open(tmp_path / "full", "wb", buffering=0) as file,
    ):
        file.write(b"x")
    assert "Free some disk space" in caught.value.hint


def test_a_full_disk_is_named_by_its_folder(tmp_path: Path) -> None:
    words = write_error(tmp_path / "a.wav", OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
    assert f"No space left on the disk of {tmp_path}." in words.message
    assert words.hint.startswith("Free some disk space")
    words = write_error(tmp_path / "a.wav", OSError(errno.EDQUOT, os.strerror(errno.EDQUOT)))
    assert f"No quota left on the disk of {tmp_path}." in words.message


@pytest.mark.parametrize(
    ("free", "said"), [(1_000, os.strerror(errno.ENOSPC)), (10**9, "the system refused it")]
)
def test_a_library_that_only_says_system_error_is_not_quoted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int, said: str
) -> None:
    """What a library wrote may have been taken back by the time the system is asked."""
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=free))
    problem = refusal(tmp_path / "a.wav", "System error.")
    assert said in (problem.strerror or str(problem))
    assert "System error" not in str(problem)


def test_what_dead_runs_left_half_written_goes_and_nothing_else(tmp_path: Path) -> None:
    mine = name_mark(os.getpid())
    dead = mine.replace(str(os.getpid()), str(2**22 + 7), 1)
    reused = re.sub(r"[0-9]+$", "1", mine)  # another process of this number, which began at another time
    elsewhere = re.sub(r"-[0-9a-f]{8}-[0-9a-f]{8}-", "-00000000-00000000-", dead)
    kept = {f".c.wav.{mine}.part", f".d.wav.{elsewhere}.part", ".e.wav.4194311.part", f"f.wav.{dead}.part"}
    for name in (f".a.wav.{dead}.part", f".b.wav.{reused}.part", *kept):
        (tmp_path / name).write_text("half")
    with whole_file(tmp_path / "new.txt", force=False) as passing:
        passing.write_text("whole")
        assert set(os.listdir(tmp_path)) == {passing.name, *kept}
    assert set(os.listdir(tmp_path)) == {"new.txt", *kept}


def test_the_passing_name_of_the_longest_name_fits_the_disk(tmp_path: Path) -> None:
    path = tmp_path / ("\u00fc" * 125 + ".wav")
    with whole_file(path, force=False) as passing:
        passing.write_text("whole")
    assert path.read_text() == "whole"


def test_a_folder_that_is_claimed_stays_claimed_when_another_claim_fails(tmp_path: Path) -> None:
    lock = tmp_path / CLAIM
    with claimed(tmp_path, [], force=False):
        held = lock.read_bytes()
        with pytest.raises(WriteError, match="another command"), claimed(tmp_path, [], force=False):
            pytest.fail("claimed twice")
        assert lock.exists()
        another = {**json.loads(held), "pid": os.getppid()}
        lock.write_text(json.dumps(another), encoding="utf-8")
    assert lock.exists()  # by now it is another's


def test_a_signal_while_a_folder_is_claimed_leaves_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def take_and_be_interrupted(lock: Path) -> bool:
        acquire_lock(lock)
        raise KeyboardInterrupt

    monkeypatch.setattr("simulator.storage.writing.acquire_lock", take_and_be_interrupted)
    with pytest.raises(KeyboardInterrupt), claimed(tmp_path, [], force=False):
        pytest.fail("went on")
    assert os.listdir(tmp_path) == []
