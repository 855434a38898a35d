"""Nothing that was made in passing stays behind, also where a worker is ended in the middle of it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from simulator.storage.folders import sweep_temporary, temporary_folder
from simulator.storage.process_life import name_mark

RUN = """
import sys, time
from pathlib import Path
from simulator.engine import workers
from simulator.storage.process_life import name_mark
from simulator.storage.folders import temporary_folder

def work(job):
    with temporary_folder() as folder:
        (folder / "encoded.opus").write_bytes(b"a client's music")
        Path(job).touch()
        time.sleep(60)

if __name__ == "__main__":
    list(workers.run(work, [sys.argv[1]], 1, str))
"""


def test_a_folder_is_the_user_s_own_and_goes_with_what_is_in_it() -> None:
    with temporary_folder() as folder:
        (folder / "encoded.opus").write_bytes(b"x")
        assert folder.stat().st_mode & 0o777 == 0o700
    assert not folder.exists()


def test_the_folders_of_this_run_are_swept_away_and_those_of_dead_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    mine, theirs = name_mark(os.getpid()), name_mark(os.getppid())
    killed = mine.replace(str(os.getpid()), str(2**22 + 7), 1)
    elsewhere = re.sub(r"-[0-9a-f]{8}-[0-9a-f]{8}-", "-00000000-00000000-", killed)
    for name in (mine, theirs, killed, elsewhere):
        (tmp_path / f"fairhearing-{name}-abc").mkdir()
        (tmp_path / f"fairhearing-{name}-abc" / "encoded.opus").write_bytes(b"x")
    (tmp_path / "fairhearing-plans").mkdir()
    sweep_temporary()
    assert not (tmp_path / f"fairhearing-{mine}-abc").exists()
    with temporary_folder() as folder:
        assert folder.is_dir()
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        [f"fairhearing-{theirs}-abc", f"fairhearing-{elsewhere}-abc", "fairhearing-plans"]
    )


@pytest.mark.heavy
@pytest.mark.parametrize("ended_by", [signal.SIGINT, signal.SIGTERM])
def test_what_an_ended_worker_leaves_is_taken_away_at_the_end_of_the_run(
    tmp_path: Path, ended_by: int
) -> None:
    script, begun, temporary = tmp_path / "run.py", tmp_path / "begun", tmp_path / "tmp"
    script.write_text(RUN.replace("import sys, time", "import signal, sys, time", 1).replace(
        'if __name__ == "__main__":',
        'if __name__ == "__main__":\n'
        "    signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))",
    ))  # fmt: skip
    temporary.mkdir()
    root = Path(__file__).parents[2]
    running = subprocess.Popen(
        [sys.executable, script, begun],
        env={**os.environ, "TMPDIR": str(temporary), "PYTHONPATH": str(root)},
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        for _ in range(400):
            if begun.exists():
                break
            try:
                running.wait(0.05)
            except subprocess.TimeoutExpired:
                continue
        assert begun.exists()
        assert list(temporary.glob("fairhearing-*/encoded.opus"))
        os.killpg(running.pid, ended_by)
        assert running.wait(20) != 0
        assert not list(temporary.glob("fairhearing-*"))
    finally:
        running.kill()
        running.wait()
