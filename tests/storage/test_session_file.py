"""The record's file: whole at every moment, never overwritten blindly, one writer at a time."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from simulator.session.log import Act, Record, from_json, to_json
from simulator.storage import session_file
from simulator.storage.session_file import RecordFile, record_path
from simulator.storage.small_files import read_small

WRITER = (
    "import sys; from pathlib import Path; from simulator.storage.session_file import RecordFile;"
    "from simulator.session.log import Act\n"
    "file = RecordFile(Path(sys.argv[1]), print)\n"
    "for number in range(100_000):\n"
    "    file.keep(Act('t', 'note', {'number': number, 'text': 'x' * 500}))\n"
    "    print(number, flush=True)\n"
)


def noted(path: Path) -> list[object]:
    return [act.data["number"] for act in from_json(path.read_bytes()).acts]


def test_it_lies_beside_the_playlist_or_in_the_data_folder(tmp_path: Path) -> None:
    assert record_path(tmp_path / "which.toml", []) == tmp_path / "which.session.json"
    bare = record_path(None, ["/a/one.wav", "/a/two.wav"])
    assert bare.name.startswith("one-")
    assert bare != record_path(None, ["/a/one.wav"])


def test_acts_are_on_the_disk_when_keep_returns_and_are_read_again(tmp_path: Path) -> None:
    path, said = tmp_path / "a.session.json", []
    file = RecordFile(path, said.append, "A title")
    file.keep(Act("t", "note", {"number": 1}))
    assert noted(path) == [1]
    file.close()
    again = RecordFile(path, said.append)
    again.keep(Act("t", "note", {"number": 2}))
    again.close()
    assert noted(path) == [1, 2]
    assert again.record.title == "A title"
    assert said == []
    assert [one.name for one in tmp_path.iterdir()] == ["a.session.json"]


def test_names_in_another_encoding_have_a_record_of_their_own() -> None:
    strange = record_path(None, ["/a/b\udce4d.wav"])
    assert strange.name.startswith("b_xe4d-")
    assert strange != record_path(None, ["/a/b\udce5d.wav"])


def test_bytes_that_are_no_text_are_spelled_out_in_the_record(tmp_path: Path) -> None:
    path, said = tmp_path / "a.session.json", []
    file = RecordFile(path, said.append)
    file.keep(Act("t", "note", {"text": "sch\udce4rf", "spans": [{"path": "/b\udce4d.wav"}]}))
    file.close()
    assert from_json(path.read_bytes()).acts[0].data == {
        "text": "sch\\xe4rf",
        "spans": [{"path": "/b\\xe4d.wav"}],
    }
    assert said == []


@pytest.mark.parametrize("bad", [float("nan"), object()], ids=["not a number", "no value of JSON"])
def test_an_act_without_a_form_in_json_costs_itself_alone(tmp_path: Path, bad: object) -> None:
    path, said = tmp_path / "a.session.json", []
    file = RecordFile(path, said.append)
    for value in (1, bad, 2):
        file.keep(Act("t", "note", {"number": value}))
    file.close()
    assert noted(path) == [1, 2]
    assert len(said) == 1
    assert "(note) cannot be stored in the session file" in said[0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b'{"format": 1, "title"', "not a session file"),
        (b'{"format": 7}', "has format 7"),
        (b"", "not a session file"),
    ],
    ids=["torn", "newer", "empty"],
)
def test_what_cannot_be_read_is_set_aside_and_kept(tmp_path: Path, content: bytes, words: str) -> None:
    path, said = tmp_path / "a.session.json", []
    path.write_bytes(content)
    file = RecordFile(path, said.append)
    file.keep(Act("t", "note", {"number": 1}))
    file.close()
    assert noted(path) == [1]
    aside = path.with_name("a.session.json.set-aside-1")
    assert aside.read_bytes() == content
    assert words in said[0]
    assert aside.name in said[0]


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
        patched.setattr(session_file, "read_small", refused)
        file = RecordFile(path, said.append)
        file.keep(Act("t", "note", {"number": 2}))
        file.close()
    assert path.read_bytes() == before
    assert [act.data["number"] for act in from_json(file.path.read_bytes()).acts] == [2]
    assert "cannot be read" in said[0]


def test_a_linked_record_stays_a_link_private_and_locked_where_it_lies(tmp_path: Path) -> None:
    real, link, said = tmp_path / "synced" / "real.session.json", tmp_path / "a.session.json", []
    real.parent.mkdir()
    link.symlink_to(real)
    for number in (1, 2):
        file = RecordFile(link, said.append)
        file.keep(Act("t", "note", {"number": number}))
        beside = RecordFile(real, said.append)
        assert beside.path == real.with_name("real.desk2.session.json")
        beside.close()
        file.close()
        real.chmod(0o600)
    assert noted(real) == [1, 2]
    assert link.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o600
    assert len(said) == 2


def test_a_new_session_file_is_its_owners_alone_from_its_first_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, modes = tmp_path / "a.session.json", []
    fsync = os.fsync

    def looked(descriptor: int) -> None:
        modes.append(os.fstat(descriptor).st_mode & 0o777)
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", looked)
    before = os.umask(0)
    try:
        file = RecordFile(path, print)
        file.keep(Act("t", "note", {"number": 1}))
        file.close()
    finally:
        os.umask(before)
    assert set(modes) == {0o600}
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_second_desk_is_noticed_and_keeps_its_own_record(tmp_path: Path) -> None:
    path, said = tmp_path / "a.session.json", []
    first = RecordFile(path, said.append)
    second = RecordFile(path, said.append)
    first.keep(Act("t", "note", {"number": 1}))
    second.keep(Act("t", "note", {"number": 2}))
    assert noted(path) == [1]
    assert noted(tmp_path / "a.desk2.session.json") == [2]
    assert "open in another session" in said[0]
    first.close()
    second.close()
    third = RecordFile(path, said.append)
    assert third.path == path
    third.close()


COPIES = (
    "a.desk2.session.json",
    "a.session (2).json",
    "a (1).session.json",
    "a.new3.session.json",
    "a.session.sync-conflict-20261128-101500-ABCDEF.json",
    "a (conflicted copy 2026-11-28).session.json",
    "a.session copy.json",
)
OTHERS = ("b.session.json", "a-two.session.json", "a 2 songs.session.json", "a.json", "ab.session (2).json")


def test_copies_are_found_and_merged_and_left_as_they_are(tmp_path: Path) -> None:
    """Each has a note of its own; files of other lists, and what is no session file, are left alone."""
    path, said = tmp_path / "a.session.json", []
    file = RecordFile(path, said.append)
    file.keep(Act("2026-11-28T12:00:00+00:00", "note", {"number": 0}))
    before = {}
    for number, name in enumerate((*COPIES, *OTHERS), 1):
        act = Act(f"2026-11-28T11:{number:02}:00+00:00", "note", {"number": number})
        before[name] = to_json(Record("", (*file.record.acts, act)))
        (tmp_path / name).write_bytes(before[name])
    (tmp_path / "a.session (9).json").write_text("no session file")
    found = file.copies()
    assert sorted(found) == sorted(COPIES)
    for other in found.values():
        file.merge(other)
    assert noted(path) == [*range(1, len(COPIES) + 1), 0]  # by their times, each once
    assert (file.copies(), file.unsaved, said) == ({}, (), [])
    assert {name: (tmp_path / name).read_bytes() for name in before} == before
    file.close()


def test_what_another_machine_wrote_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    """A synchronised folder puts its file in place of this one, without a copy."""
    path, said = tmp_path / "a.session.json", []
    file = RecordFile(path, said.append)
    file.keep(Act("2026-11-28T12:00:00+00:00", "note", {"number": 1}))
    theirs = Act("2026-11-28T11:59:00+00:00", "note", {"number": 2})
    (tmp_path / "new").write_bytes(to_json(Record("", (theirs,))))
    os.replace(tmp_path / "new", path)
    file.keep(Act("2026-11-28T12:01:00+00:00", "note", {"number": 3}))
    assert noted(path) == [2, 1, 3]
    file.close()
    assert said == []


@pytest.mark.parametrize("lock", [b"", b"not json", json.dumps({"pid": 2**22 + 7, "host": "@"}).encode()])
def test_a_lock_whose_desk_is_gone_is_taken_over(tmp_path: Path, lock: bytes) -> None:
    import socket

    path, said = tmp_path / "a.session.json", []
    (tmp_path / ".a.session.json.lock").write_bytes(lock.replace(b"@", socket.gethostname().encode()))
    file = RecordFile(path, said.append)
    assert file.path == path
    assert said == []
    file.close()


def refusing(monkeypatch: pytest.MonkeyPatch, place: Path) -> list[OSError]:
    """As long as the list holds one, nothing can be written in `place`: root may write everywhere, so that a
    mode does not do."""
    refusals = [OSError(errno.EROFS, os.strerror(errno.EROFS))]
    really = session_file.whole_file

    @contextlib.contextmanager
    def refused(path: Path, force: bool, new_mode: int | None = None) -> Iterator[Path]:
        if refusals and path.is_relative_to(place):
            raise refusals[0]
        with really(path, force, new_mode) as passing:
            yield passing

    monkeypatch.setattr(session_file, "whole_file", refused)
    return refusals


def test_what_cannot_be_saved_is_said_at_each_act_and_saved_as_soon_as_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    file = RecordFile(tmp_path / "a.session.json", said.append)
    file.keep(Act("t", "note", {"number": 1}))
    refusals = refusing(monkeypatch, tmp_path)
    file.keep(Act("t", "note", {"number": 2}))
    file.keep(Act("t", "note", {"number": 3}))
    assert [line.partition(":")[0] for line in said] == ["Not saved", "Still not saved. In memory only"]
    assert "Read-only file system" in said[0]
    assert [act.data["number"] for act in file.unsaved] == [2, 3]
    assert not file.kept
    refusals.clear()
    file.keep(Act("t", "note", {"number": 4}))
    assert "is writable again" in said[2]
    assert (file.kept, file.unsaved) == (True, ())
    assert noted(tmp_path / "a.session.json") == [1, 2, 3, 4]
    file.close()


def test_a_session_that_cannot_be_saved_is_rescued_whole_and_for_the_user_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    file = RecordFile(tmp_path / "list" / "a.session.json", said.append, "A title")
    file.keep(Act("t", "note", {"number": 1}))
    refusing(monkeypatch, tmp_path / "list")
    file.keep(Act("t", "note", {"number": 2}))
    copies = [file.rescue(tmp_path / "data"), file.rescue(tmp_path / "data")]
    assert [path.name for path in copies if path] == [f"a.session.json.unsaved-{one}" for one in (1, 2)]
    for path in copies:
        assert path is not None
        assert noted(path) == [1, 2]
        assert path.stat().st_mode & 0o777 == 0o600
    (tmp_path / "file").write_bytes(b"")
    assert file.rescue(tmp_path / "file") is None
    file.close()


def test_a_folder_that_cannot_be_made_is_said_before_and_at_each_act(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    said: list[str] = []
    file = RecordFile(tmp_path / "file" / "a.session.json", said.append)
    assert file.unsaved == ()
    file.keep(Act("t", "note", {"number": 1}))
    file.keep(Act("t", "note", {"number": 2}))
    assert len(said) == 3
    assert "in memory only" in said[0]
    assert len(file.unsaved) == 2


def test_a_damaged_record_that_cannot_be_set_aside_is_left_and_the_session_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, said = tmp_path / "a.session.json", []
    path.write_bytes(b"torn")

    def refused(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", refused)
        file = RecordFile(path, said.append)
    file.keep(Act("t", "note", {"number": 1}))
    file.close()
    assert path.read_bytes() == b"torn"
    assert noted(file.path) == [1]
    assert "cannot be set aside (Permission denied)" in said[0]


def killed_while_writing(path: Path, after_s: float) -> tuple[int, list[object]]:
    """The last act that the writer told of, and what is on the disk after it was killed."""
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    try:
        writer.stdout.readline()
        time.sleep(after_s)
        writer.send_signal(signal.SIGKILL)
        told = writer.stdout.read().split()
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()
    return (int(told[-1]) if told else 0), noted(path)


@pytest.mark.skipif(os.name != "posix", reason="sends SIGKILL")
@pytest.mark.parametrize("times", [5, pytest.param(30, marks=pytest.mark.heavy)])
def test_a_desk_that_is_killed_loses_at_most_the_last_act(tmp_path: Path, times: int) -> None:
    """At random moments of its writing (seeded)."""
    moments = np.random.default_rng(11).uniform(0.0, 0.05, times)
    for number, moment in enumerate(moments):
        told, kept = killed_while_writing(tmp_path / f"{number}.session.json", float(moment))
        assert kept[: told + 1] == list(range(told + 1))
        assert len(kept) <= told + 2
