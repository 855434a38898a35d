"""What another platform's rules would do to the files: samples shifted, writing refused, scratch left."""

from __future__ import annotations

import ast
import ctypes
import fcntl
import os
import subprocess
import sys
import types
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import platform_rules, source

from simulator.codecs import deliver
from simulator.deck import lanes, renderer
from simulator.deck.interface import LaneKey
from simulator.deck.shared_memory import Cells, lane_path
from simulator.session.log import Act
from simulator.storage import process_life
from simulator.storage.session_file import RecordFile
from simulator.storage.small_files import read_small
from simulator.storage.writing import whole_file

ROOT = Path(__file__).resolve().parents[2]
RATE = 44_100
DEAD = 2**22 + 7
"""A process id beyond Linux's largest."""


@pytest.fixture(name="rules")
def _rules(monkeypatch: pytest.MonkeyPatch) -> None:
    platform_rules.lay_over(monkeypatch)


def tables() -> Cells:
    return Cells(np.zeros(16, np.int64), np.zeros((4096, 4), np.int64), np.zeros((RATE, 2), np.float32))


def line_feeds() -> np.ndarray[Any, np.dtype[np.float32]]:
    """A second of quiet samples each of whose bytes but the highest is 0x0A or next to it."""
    words = np.random.default_rng(3).integers(0x3A0A0A09, 0x3A0A0A0C, (RATE, 2), dtype=np.uint32)
    return words.view(np.float32)


@pytest.mark.usefixtures("rules")
def test_the_stand_in_shifts_what_is_written_in_text_mode(tmp_path: Path) -> None:
    descriptor = os.open(tmp_path / "a", os.O_CREAT | os.O_WRONLY)
    os.write(descriptor, b"a\nb")
    os.close(descriptor)
    assert (tmp_path / "a").read_bytes() == b"a\r\nb"
    with open(tmp_path / "a", "rb") as file, pytest.raises(OSError, match="Bad file"):
        os.fsync(file.fileno())


@pytest.mark.usefixtures("rules")
def test_a_lane_holds_the_samples_byte_for_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(renderer, "BINARY", platform_rules.O_BINARY)
    samples = line_feeds()
    assert samples.tobytes().count(b"\n") > RATE
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    one = renderer.Renderer(tmp_path, tables(), RATE)
    one.take(renderer.Make(0, 1, LaneKey(str(tmp_path / "a.wav")), RATE, 1))
    while one.busy:
        assert one.step() is None
    assert lane_path(tmp_path, 0, 1).read_bytes() == samples.tobytes()


def test_every_descriptor_that_the_program_opens_is_binary() -> None:
    """Those that lead nowhere aside."""
    found, bare = 0, []
    for module in source.modules():
        for node in source.nodes(module):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "os.open":
                found += 1
                if "BINARY" not in ast.unparse(node) and "os.devnull" not in ast.unparse(node):
                    bare.append(f"{module}:{node.lineno}")
    assert found >= 6
    assert bare == []


@pytest.mark.usefixtures("rules")
def test_results_records_and_encoded_masters_are_written_where_fsync_wants_a_writer(
    tmp_path: Path,
) -> None:
    with whole_file(tmp_path / "a.txt", force=False) as passing:
        passing.write_bytes(b"whole")
    assert (tmp_path / "a.txt").read_bytes() == b"whole"
    said: list[str] = []
    record = RecordFile(tmp_path / "a.session.json", said.append)
    record.keep(Act("t", "note", {"text": "too dull"}))
    record.close()
    assert said == []
    assert b"too dull" in read_small(tmp_path / "a.session.json", 1000)
    (tmp_path / "a.opus").write_bytes(b"encoded")
    deliver.keep_encoded(tmp_path / "cache", "key", tmp_path / "a.opus", 5)
    found = deliver.find_encoded(tmp_path / "cache", "key")
    assert found is not None
    assert found[0].read_bytes() == b"encoded"


class _Nt(types.ModuleType):
    """The os module with another name of the system."""

    name = "nt"

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)


def test_dead_scratch_folders_go_where_there_is_no_flock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`msvcrt.locking` refuses a byte that another descriptor has locked; flock stands in for it."""

    def locking(descriptor: int, mode: int, count: int) -> None:
        assert (mode, count) == (2, 1)
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

    fake = types.ModuleType("msvcrt")
    fake.locking, fake.LK_NBLCK = locking, 2  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "msvcrt", fake)
    monkeypatch.setattr(lanes, "os", _Nt("os"))
    dead = tmp_path / "scratch" / str(DEAD)
    dead.mkdir(parents=True)
    (dead / "lock").touch()
    (dead / "lane-1-1.f32").write_bytes(bytes(100))
    living = lanes.Scratch(tmp_path)
    second = lanes.Scratch(tmp_path)
    assert not dead.exists()
    assert living.folder.exists()
    second.close()
    living.close()
    assert list((tmp_path / "scratch").iterdir()) == []


def test_a_lane_that_is_still_mapped_goes_when_it_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows refuses to remove a file that is open elsewhere."""
    one, mapped = renderer.Renderer(tmp_path, tables(), RATE), [True]
    soundfile.write(tmp_path / "a.wav", line_feeds(), RATE, subtype="FLOAT")
    one.take(renderer.Make(0, 0, LaneKey(str(tmp_path / "a.wav")), RATE, 1))
    while one.busy:
        one.step()
    really = Path.unlink

    def unlink(path: Path, missing_ok: bool = False) -> None:
        if mapped:
            raise PermissionError(13, "The process cannot access the file", str(path))
        really(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", unlink)
    one.take(renderer.Drop(0))
    assert lane_path(tmp_path, 0, 0).exists()
    mapped.clear()
    one.step()
    assert not lane_path(tmp_path, 0, 0).exists()


@pytest.mark.parametrize(
    ("handle", "code", "error", "lives"),
    [(7, 259, 0, True), (7, 0, 0, False), (0, 0, 87, False), (0, 0, 5, True)],
    ids=["runs", "ended, but open elsewhere", "none", "another user's"],
)
def test_a_process_is_asked_for_without_ending_it(
    monkeypatch: pytest.MonkeyPatch, handle: int, code: int, error: int, lives: bool
) -> None:
    """os.kill(pid, 0) would end it on Windows; the kernel's functions are stood in for."""

    class Kernel:
        def OpenProcess(self, access: int, inherit: bool, pid: int) -> int:
            assert (access, inherit, pid) == (0x1000, False, 42)
            return handle

        def GetExitCodeProcess(self, opened: int, place: Any) -> int:
            assert opened == handle
            place._obj.value = code
            return 1

        def CloseHandle(self, opened: int) -> None:
            assert opened == handle

    monkeypatch.setattr(ctypes, "WinDLL", lambda *_, **__: Kernel(), raising=False)
    monkeypatch.setattr(ctypes, "get_last_error", lambda: error, raising=False)
    monkeypatch.setattr(process_life, "os", _Nt("os"))
    assert process_life.process_lives(42) is lives


def test_what_is_redirected_is_utf_8_also_where_the_system_s_encoding_is_another() -> None:
    """The POSIX locale, whose encoding is ASCII, without Python's own cures."""
    environment = {**os.environ, "LC_ALL": "POSIX", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}
    environment.pop("PYTHONIOENCODING", None)
    words = (
        "from simulator.engine.streams import prepare_streams; prepare_streams(); print(ascii(input()), '−')"
    )
    done = subprocess.run(
        [sys.executable, "-c", words.replace("−", "\\u2212")],
        cwd=ROOT, env=environment, input="\u00fc\n".encode(), capture_output=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.stdout == "'\\xfc' \u2212\n".encode(), done.stderr
