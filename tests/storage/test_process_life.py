"""A process is told from all others, also from one that only has its number."""

from __future__ import annotations

import contextlib
import os
import re
import select
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from simulator.storage import process_life
from simulator.storage.process_life import mark, marked_lives, name_mark, named_lives, process_lives


def test_a_process_lives_until_it_has_ended_and_its_mark_with_it() -> None:
    child = subprocess.Popen([sys.executable, "-S", "-c", "input()"], stdin=subprocess.PIPE)
    found = {**mark(), "pid": child.pid}
    assert process_lives(child.pid)
    assert not marked_lives(found) or not found["started"]  # it was started later than this process
    child.communicate(b"\n")
    assert not process_lives(child.pid)
    assert not marked_lives({**found, "started": ""})
    assert process_lives(os.getpid())
    assert marked_lives(mark())


PARENT = """
import multiprocessing, os, sys, time
from simulator.storage.process_life import end_with_parent

def child(place):
    end_with_parent(lambda: open(place, "w").close())
    print(os.getpid(), flush=True)
    time.sleep(600)

if __name__ == "__main__":
    process = multiprocessing.get_context("spawn").Process(target=child, args=(sys.argv[1],))
    process.start()
    process.join()
"""


@pytest.mark.skipif(os.name != "posix", reason="sends SIGKILL")
def test_a_process_ends_with_its_parent_that_is_killed(tmp_path: Path) -> None:
    (tmp_path / "run.py").write_text(PARENT, encoding="utf-8")
    parent = subprocess.Popen(
        [sys.executable, tmp_path / "run.py", tmp_path / "cleared"],
        env={**os.environ, "PYTHONPATH": os.fspath(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
    )
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    try:
        # the pipe comes to its end with the last process that holds it
        assert select.select([parent.stdout], [], [], 20.0)[0]
        assert parent.stdout.read() == b""
        assert (tmp_path / "cleared").exists()
    finally:
        parent.stdout.close()
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)


@pytest.mark.parametrize("told", ["boot", "started"])
def test_where_the_system_tells_less_the_rest_decides(monkeypatch: pytest.MonkeyPatch, told: str) -> None:
    monkeypatch.setattr(process_life, f"_{told}", lambda *_: "")
    found = mark()
    assert found[told] == ""
    assert marked_lives(found)
    assert not marked_lives({**found, "pid": 2**22 + 7})
    assert marked_lives({**found, "host": "elsewhere", "boot": "another start", "pid": 2**22 + 7})


@pytest.mark.parametrize("found", [{}, {"pid": 1}, {"pid": "x", "host": "h"}, {"pid": None, "host": "h"}, []])
def test_what_is_no_mark_is_said_to_be_none(found: Any) -> None:
    with pytest.raises((KeyError, TypeError, ValueError)):
        marked_lives(found)


def test_a_name_s_mark_lives_by_the_rules_of_the_lock_s(monkeypatch: pytest.MonkeyPatch) -> None:
    mine = name_mark(os.getpid())
    assert re.fullmatch(r"[0-9a-f-]+", mine)
    assert named_lives(mine)
    assert not named_lives(mine.replace(str(os.getpid()), str(2**22 + 7), 1))
    assert not named_lives(re.sub(r"[0-9]+$", "1", mine))  # the number belongs to another process by now
    monkeypatch.setattr(socket, "gethostname", lambda: "renamed")
    assert named_lives(mine)
    assert not named_lives(mine.replace(str(os.getpid()), str(2**22 + 7), 1))
    monkeypatch.setattr(process_life, "_boot", lambda: "another start")
    assert named_lives(mine)  # of another machine, by all that is known
    monkeypatch.undo()
    monkeypatch.setattr(process_life, "_boot", lambda: "another start")
    assert not named_lives(mine)  # this machine was started again


@pytest.mark.parametrize("name", ["", "1234", "x-y-z", "12-0-0-0", "1-zzzzzzzz-00000000-1"])
def test_a_name_without_a_mark_is_said_to_have_none(name: str) -> None:
    with pytest.raises(ValueError, match="is not a process mark"):
        named_lives(name)
