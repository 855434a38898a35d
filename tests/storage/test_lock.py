"""A lock is one desk's only, and it dies with the very process that took it."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from simulator.storage.lock import acquire_lock, lock_path, release_lock
from simulator.storage.session_file import RecordFile

TAKE = (
    "import sys, time; from pathlib import Path; from simulator.storage.lock import acquire_lock\n"
    "while time.time() < float(sys.argv[2]): pass\n"
    "print(acquire_lock(Path(sys.argv[1])), flush=True); sys.stdin.read()\n"
)


def test_a_lock_is_taken_once_and_again_when_it_was_given_back(tmp_path: Path) -> None:
    lock = lock_path(tmp_path / "a.session.json")
    assert lock.name == ".a.session.json.lock"
    assert [acquire_lock(lock), acquire_lock(lock)] == [True, False]
    release_lock(lock)
    assert acquire_lock(lock)
    release_lock(lock)
    release_lock(lock)  # one that is gone already
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "text", ["", "[]", "3", "null", '{"pid": 1e400, "host": ""}', '{"pid": "x", "host": ""}']
)
def test_a_lock_that_holds_no_mark_is_nobodys(tmp_path: Path, text: str) -> None:
    lock = tmp_path / ".a.lock"
    lock.write_text(text)
    assert acquire_lock(lock)
    assert json.loads(lock.read_bytes())["host"] == socket.gethostname()


@pytest.mark.parametrize("times", [2, pytest.param(12, marks=pytest.mark.heavy)])
@pytest.mark.parametrize("dead", [False, True])
def test_of_two_desks_that_open_at_once_one_has_the_record(tmp_path: Path, times: int, dead: bool) -> None:
    for number in range(times):
        lock = tmp_path / f".{number}.lock"
        if dead:
            lock.write_text(json.dumps({"pid": 2**22 + 7, "host": socket.gethostname()}))
        at = str(time.time() + 0.5)
        desks = [
            subprocess.Popen(
                [sys.executable, "-c", TAKE, str(lock), at],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )
            for _ in range(2)
        ]  # fmt: skip
        told = [desk.stdout.readline().strip() for desk in desks if desk.stdout]
        for desk in desks:
            desk.communicate()
        assert sorted(told) == ["False", "True"]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="the system tells no starts of processes")
@pytest.mark.parametrize(
    ("change", "lives"),
    [
        ({}, True),
        ({"started": "1"}, False),  # the number of the process that crashed is another's by now
        ({"boot": "another start"}, False),
        ({"host": "renamed"}, True),  # the same machine by another name: its processes are known
        ({"host": "renamed", "started": "1"}, False),
        ({"host": "elsewhere", "boot": "another start"}, True),
        ({"boot": None, "started": None}, True),  # a lock of an older version
    ],
)
def test_a_lock_lives_as_long_as_the_very_process_that_took_it(
    tmp_path: Path, change: dict[str, str | None], lives: bool
) -> None:
    path, said = tmp_path / "a.session.json", []
    first = RecordFile(path, said.append)
    lock = lock_path(path)
    told = {**json.loads(lock.read_bytes()), **change}
    lock.write_text(json.dumps({key: value for key, value in told.items() if value is not None}))
    second = RecordFile(path, said.append)
    assert (second.path != path) is lives
    assert ("remove" in "".join(said) and str(lock) in "".join(said)) is lives
    second.close()
    first.close()
