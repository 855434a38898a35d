"""What native libraries write to descriptor 2 goes into the log for as long as a session lasts."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from simulator.engine.streams import native_messages_logged

RUNNER = """
import os, sys
from pathlib import Path
from simulator.engine.streams import native_messages_logged
os.write(2, b"before\\n")
with native_messages_logged(Path(sys.argv[1])):
    os.write(2, b"ALSA lib: underrun\\n")
    print("python's own", file=sys.stderr)
    os.system("echo from a child >&2")
os.write(2, b"after\\n")
"""


def run(log: Path) -> str:
    return subprocess.run(
        [sys.executable, "-c", RUNNER, os.fspath(log)],
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        timeout=30,
        check=True,
    ).stderr


def test_native_messages_are_kept_off_the_screen_and_kept(tmp_path: Path) -> None:
    log = tmp_path / "cache" / "listen.log"
    assert run(log) == "before\nafter\n"
    assert log.read_text(encoding="utf-8") == "ALSA lib: underrun\npython's own\nfrom a child\n"
    run(log)
    assert log.read_text(encoding="utf-8").count("underrun") == 2


def test_a_log_that_cannot_be_written_still_keeps_the_screen_clean(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert run(tmp_path / "file" / "listen.log") == "before\nafter\n"


@pytest.mark.parametrize(("size", "kept"), [(1_000_000, True), (1_000_001, False)])
def test_a_log_that_has_grown_large_begins_anew(size: int, kept: bool, tmp_path: Path) -> None:
    log = tmp_path / "listen.log"
    log.write_bytes(b"x" * size)
    run(log)
    assert (b"x" in log.read_bytes()[:1]) is kept


def test_a_pipe_in_the_place_of_the_log_holds_nothing_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "listen.log")
    with native_messages_logged(tmp_path / "listen.log") as found:
        assert found is None
