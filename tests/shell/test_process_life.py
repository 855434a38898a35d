"""A process is told from all others, also from one that only has its number."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import Any

import pytest

from simulator.shell import process_life
from simulator.shell.process_life import mark, marked_lives, process_lives


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
