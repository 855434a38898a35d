"""A worker that is ended in mid-work, a file touched while it is read: named or whole, and nothing stays."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile
from support.signals import pink_noise

RATE = 44_100
SECONDS = 320
"""So much that workers are started also for measuring alone (measuring.POOL_PAYS_SECONDS)."""
LIMIT_SECONDS = 60.0


@pytest.fixture
def masters(tmp_path: Path) -> Path:
    folder = tmp_path / "masters"
    folder.mkdir()
    noise = 0.2 * np.tile(pink_noise(10 * RATE, seed=8, sample_rate=RATE), SECONDS // 10)
    for name in "abcd":
        soundfile.write(folder / f"{name}.wav", np.column_stack([noise, noise]), RATE, subtype="PCM_24")
        os.utime(folder / f"{name}.wav", (1e9, 1e9))
    return folder


def begun(masters: Path, words: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "simulator", *words.split()],
        cwd=masters, env={**os.environ, "XDG_CACHE_HOME": os.fspath(masters.parent / "cache")},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def reading(process: subprocess.Popen[bytes], folder: Path) -> psutil.Process:
    """The first child that has a master open; waits for it."""
    end = time.monotonic() + LIMIT_SECONDS
    while time.monotonic() < end:
        assert process.poll() is None, process.communicate()
        for child in psutil.Process(process.pid).children(recursive=True):
            try:
                if any(Path(file.path).parent == folder for file in child.open_files()):
                    return child
            except psutil.Error:
                continue
        time.sleep(0.002)
    raise AssertionError("no worker reads a master")


@pytest.mark.heavy
def test_a_worker_that_is_ended_once_costs_no_file(masters: Path) -> None:
    process = begun(masters, "measure --json --workers 2 a.wav b.wav c.wav d.wav")
    try:
        everyone = psutil.Process(process.pid).children(recursive=True)
        reading(process, masters).kill()
        out, err = process.communicate(timeout=LIMIT_SECONDS)
    finally:
        process.kill()
        process.communicate()
    found = json.loads(out)
    assert process.returncode == 0, err.decode()
    assert [Path(one["path"]).name for one in found] == ["a.wav", "b.wav", "c.wav", "d.wav"]
    assert len({one["integrated_lufs"] for one in found}) == 1
    assert b"Traceback" not in err
    assert psutil.wait_procs(everyone, timeout=5.0)[1] == []


@pytest.mark.heavy
def test_a_worker_that_is_ended_while_it_renders_leaves_no_half_file(masters: Path) -> None:
    out = masters.parent / "out"
    process = begun(masters, f"render --workers 2 --out {out} a.wav b.wav c.wav d.wav")
    try:
        end = time.monotonic() + LIMIT_SECONDS
        while not any(out.glob(".*.part")):
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < end
            time.sleep(0.002)
        reading(process, masters).kill()
        _, err = process.communicate(timeout=LIMIT_SECONDS)
    finally:
        process.kill()
        process.communicate()
    assert process.returncode == 0, err.decode()
    assert b"Traceback" not in err
    assert not any(name.startswith(".") for name in os.listdir(out))
    for number, name in enumerate("abcd", 1):
        assert soundfile.info(out / f"{number:02d}-{name}.wav").frames == SECONDS * RATE


@pytest.mark.heavy
@pytest.mark.parametrize("fault", ["truncated", "deleted", "replaced"])
def test_a_file_that_is_touched_while_it_is_measured_is_whole_or_named(masters: Path, fault: str) -> None:
    """A deleted or replaced file is still there for who has it open; a truncated one is cut short."""
    process = begun(masters, "measure --json --workers 0 a.wav b.wav c.wav d.wav")
    try:
        path = next(
            Path(file.path)
            for file in reading(process, masters).open_files()
            if Path(file.path).parent == masters
        )
        if fault == "truncated":
            os.truncate(path, 100_000)
        elif fault == "deleted":
            path.unlink()
        else:
            (masters / "other").write_bytes(b"no audio")
            os.replace(masters / "other", path)
        out, err = process.communicate(timeout=LIMIT_SECONDS)
    finally:
        process.kill()
        process.communicate()
    assert b"Traceback" not in out + err, err.decode()
    found = json.loads(out)
    assert len(found) == 4
    for one in found:
        if "error" in one:
            assert one["path"] == os.fspath(path)
            assert path.name in one["error"]
        else:
            assert one["frames"] == SECONDS * RATE
    assert process.returncode == (1 if any("error" in one for one in found) else 0)
    if fault == "truncated":
        assert process.returncode == 1


def sleeping(begun: str) -> None:
    """A job that is in the middle of something, for ever."""
    Path(begun).touch()
    time.sleep(LIMIT_SECONDS * 10.0)


KILLED = """
import sys
from simulator.engine import workers
sys.path.insert(0, sys.argv[1])
from test_fault_children import sleeping
if __name__ == "__main__":
    list(workers.run(sleeping, sys.argv[2:], 2, str))
"""


def all_gone(processes: list[psutil.Process], seconds: float = 20.0) -> list[psutil.Process]:
    """Those that still run after that time. (One that nobody takes in remains as a zombie.)"""
    end = time.monotonic() + seconds
    while True:
        left = []
        for one in processes:
            try:
                if one.is_running() and one.status() != psutil.STATUS_ZOMBIE:
                    left.append(one)
            except psutil.Error:
                continue
        if not left or time.monotonic() > end:
            return left
        time.sleep(0.02)


@pytest.mark.skipif(os.name != "posix", reason="sends SIGKILL")
@pytest.mark.heavy
@pytest.mark.parametrize("state", ["at work", "starting"])
def test_workers_and_tracker_end_with_a_parent_that_is_killed(tmp_path: Path, state: str) -> None:
    """Whether they are in the middle of a job, or have not come to their first."""
    script = tmp_path / "run.py"
    script.write_text(KILLED, encoding="utf-8")
    root = Path(__file__).resolve().parents[2]
    process = subprocess.Popen(
        [sys.executable, script, Path(__file__).parent, tmp_path / "a", tmp_path / "b"], cwd=root,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(map(os.fspath, [root, root / "tests"]))},
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    children: list[psutil.Process] = []
    try:
        end = time.monotonic() + LIMIT_SECONDS
        while len(children) < 3:  # the tracker and two workers
            assert process.poll() is None
            assert time.monotonic() < end
            time.sleep(0.01)
            children = psutil.Process(process.pid).children(recursive=True)
        while state == "at work" and not ((tmp_path / "a").exists() and (tmp_path / "b").exists()):
            assert time.monotonic() < end
            time.sleep(0.01)
    finally:
        process.kill()
        process.wait()
    left = all_gone(children)
    for one in left:  # as they would without it
        one.kill()
    assert left == []


@pytest.mark.heavy
@pytest.mark.parametrize(
    "words", ["render --workers 2 --out {out} a.wav b.wav c.wav d.wav", "listen a.wav --to-file {out}/o.wav"]
)
def test_a_run_that_is_killed_leaves_no_process_and_the_next_one_clears_up_after_it(
    masters: Path, words: str
) -> None:
    out = masters.parent / "out"
    out.mkdir()
    (out / ".notes.4194999.part").write_bytes(b"the user's own")
    process = begun(masters, words.format(out=out))
    try:
        end = time.monotonic() + LIMIT_SECONDS
        while not any(out.glob(".*-*.part")):
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < end
            time.sleep(0.002)
        everyone = psutil.Process(process.pid).children(recursive=True)
    finally:
        process.kill()
        process.communicate()
    assert all_gone(everyone) == []
    assert any(out.glob(".*-*.part"))
    following = begun(masters, f"render --workers 0 --seconds 2 --out {out} a.wav")
    _, err = following.communicate(timeout=LIMIT_SECONDS)
    assert following.returncode == 0, err.decode()
    assert [path.name for path in out.glob(".*")] == [".notes.4194999.part"]
