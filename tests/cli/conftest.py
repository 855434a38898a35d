"""What the tests of the commands share: a cache of their own, and a command line that is run and answered."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from simulator.cli import app

Answer = tuple[int, str, str]


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One cache folder for the tests of a file, so that each of its files is measured once."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def answer(capsys: pytest.CaptureFixture[str]) -> Callable[[str], Answer]:
    """Runs a command line; returns exit code, standard output, standard error."""

    def run(line: str) -> Answer:
        code = app.run(line.split())
        found = capsys.readouterr()
        return code, found.out, found.err

    return run
