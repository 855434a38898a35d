"""Fixtures that all rooms share: what is outside the project, and one BLAS thread as in the program."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import numpy as np  # noqa: F401 - threadpoolctl only sees libraries that are loaded
import pytest
from support import ebur128, real_music
from support.external import VARIABLE, external_required, require_external
from threadpoolctl import threadpool_limits


@pytest.fixture(scope="session", autouse=True)
def one_blas_thread() -> Iterator[None]:
    """The program holds BLAS to one thread where it measures; so do the tests that call the core."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


@pytest.fixture(autouse=True)
def no_worker_for_each_file(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The program has a file that it does not know decoded by a worker, which may crash; to start one in
    thousands of tests would take minutes. The heavy tests leave it as it is."""
    if request.node.get_closest_marker("heavy") is None:
        monkeypatch.setenv("FAIRHEARING_IN_PROCESS", "1")


@pytest.fixture(scope="session")
def libebur128() -> ebur128.Library:
    """libebur128 1.2, the independent meter in C."""
    library = ebur128.load()
    if library is None:
        require_external("libebur128 is not installed (Debian: libebur128-1)")
    return library


@pytest.fixture(scope="session")
def music_files() -> dict[str, Path]:
    """Real music by name: the Ogg Vorbis files of a Debian package, see support/real_music.py."""
    files = real_music.files()
    if files is None:
        require_external("the music is not here: run python -m tests.support.real_music")
    return files


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Whole songs take long: what is checked on real music runs with the heavy tests."""
    for item in items:
        if "music_files" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.heavy)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    required = external_required() and item.get_closest_marker("external") is not None
    if required and report.skipped and not hasattr(report, "wasxfail"):
        _fail(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    if external_required() and report.skipped:  # a whole module skipped: its marks are not known
        _fail(report)
    return report


def _fail(report: Any) -> None:
    reason = report.longrepr[-1] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    report.outcome = "failed"
    report.longrepr = f"{reason} ({VARIABLE} is set: an external check may not be skipped)"
