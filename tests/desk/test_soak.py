"""A short soak of the desk; `python -m tests.soak` is the long one."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.heavy
def test_minutes_of_random_commands_drift_drop_and_lose_nothing(tmp_path: Path) -> None:
    """Memory is told only by the long one: caches still fill here."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.soak", "--hours", "0.08", "--seed", "3"],
        capture_output=True, text=True, cwd=Path(__file__).resolve().parents[2], timeout=200, check=False,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )  # fmt: skip
    faults = [line for line in done.stdout.splitlines() if line.startswith("at ")]
    grown = [line for line in faults if "memory grew" in line or "more files are open" in line]
    assert faults == grown, done.stdout[-2000:] + done.stderr[-2000:]
    assert " notes; memory " in done.stdout, done.stderr[-2000:]
    assert list(tmp_path.iterdir()) == []
