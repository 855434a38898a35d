"""A record that cannot be read is left alone, and a lock is one desk's only."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from simulator.hearing.record import Act, from_json
from simulator.shell import record_file
from simulator.shell.record_file import RecordFile
from simulator.shell.small_files import read_small

TAKE = (
    "import sys, time; from pathlib import Path; from simulator.shell.record_file import _take\n"
    "while time.time() < float(sys.argv[2]): pass\n"
    "print(_take(Path(sys.argv[1])), flush=True); sys.stdin.read()\n"
)


def test_a_record_that_cannot_be_read_is_never_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, said = tmp_path / "a.session.json", []
    file = RecordFile(path, said.append)
    file.keep(Act("t", "note", {"number": 1}))
    file.close()
    before = path.read_bytes()

    def refused(asked: Path, largest_bytes: int) -> bytes:
        if asked == path:
            raise PermissionError(13, "Permission denied")
        return read_small(asked, largest_bytes)

    with monkeypatch.context() as patched:
        patched.setattr(record_file, "read_small", refused)
        file = RecordFile(path, said.append)
        file.keep(Act("t", "note", {"number": 2}))
        file.close()
    assert path.read_bytes() == before
    assert [act.data["number"] for act in from_json(file.path.read_bytes()).acts] == [2]
    assert "cannot be read" in said[0]


@pytest.mark.parametrize("times", [2, pytest.param(12, marks=pytest.mark.heavy)])
@pytest.mark.parametrize("dead", [False, True])
def test_of_two_desks_that_open_at_once_one_has_the_record(tmp_path: Path, times: int, dead: bool) -> None:
    import json
    import socket

    for number in range(times):
        lock = tmp_path / f".{number}.lock"
        if dead:
            lock.write_text(json.dumps({"pid": 2**22 + 7, "host": socket.gethostname()}))
        at = str(time.time() + 1.0)
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
    import json

    path, said = tmp_path / "a.session.json", []
    first = RecordFile(path, said.append)
    lock = record_file.lock_of(path)
    told = {**json.loads(lock.read_bytes()), **change}
    lock.write_text(json.dumps({key: value for key, value in told.items() if value is not None}))
    second = RecordFile(path, said.append)
    assert (second.path != path) is lives
    assert ("remove" in "".join(said) and str(lock) in "".join(said)) is lives
    second.close()
    first.close()
