"""The watch on a real folder: a bounce is found once it is quiet, by the system's events or by listing."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from watchdog.observers.api import BaseObserver
from watchdog.observers.polling import PollingObserver

from simulator.desk.watch import FolderWatch

QUIET_S = 0.12
Observers = Callable[[], list[Callable[[], BaseObserver]]]


@contextmanager
def watched(folder: Path, observers: Observers | None = None) -> Iterator[FolderWatch]:
    watch = FolderWatch([str(folder)], QUIET_S, observers)
    watch.start()
    assert watch.ready.wait(10.0)
    try:
        yield watch
    finally:
        watch.close()


def found(watch: FolderWatch, count: int = 1) -> list[str]:
    """What comes until so many are there; fails after 5 s."""
    files: list[str] = []
    end = time.monotonic() + 5.0
    while len(files) < count:
        assert time.monotonic() < end, files
        files += watch.take()[0]
        time.sleep(0.01)
    return files


def test_a_bounce_is_reported_when_it_is_whole(tmp_path: Path) -> None:
    """It grows for several quiet times; other files and folders are none."""
    with watched(tmp_path) as watch:
        (tmp_path / "song-v3.txt").write_text("no audio")
        (tmp_path / "folder.wav").mkdir()
        path = tmp_path / "song-v3.wav"
        with open(path, "wb") as file:
            for _ in range(12):
                file.write(b"part")
                file.flush()
                time.sleep(QUIET_S / 4)
                assert watch.take() == ([], [])
        grown = time.monotonic()
        assert found(watch) == [str(path)]
        assert time.monotonic() - grown > QUIET_S / 2
        time.sleep(2 * QUIET_S)
        assert watch.take() == ([], [])  # once


def test_written_over_and_moved_into_place_count_too(tmp_path: Path) -> None:
    """As programs save: over the file, or beside it and then renamed."""
    old = tmp_path / "song-v2.wav"
    old.write_bytes(b"old")
    with watched(tmp_path) as watch:
        old.write_bytes(b"newer")
        assert found(watch) == [str(old)]
        part = tmp_path / "song-v3.part"
        part.write_bytes(b"new")
        os.replace(part, tmp_path / "song-v3.wav")
        assert found(watch) == [str(tmp_path / "song-v3.wav")]


def exhausted() -> BaseObserver:
    raise OSError(errno.ENOSPC, "inotify watch limit reached")


class Refusing(PollingObserver):
    """Cannot be started, as inotify when its watches are used up."""

    def start(self) -> None:
        raise OSError(errno.ENOSPC, "inotify watch limit reached")


def test_without_events_of_the_system_the_folder_is_listed(tmp_path: Path) -> None:
    with watched(tmp_path, lambda: [Refusing, lambda: PollingObserver(timeout=0.05)]) as watch:
        assert watch.take()[1] == ["New bounces are looked for every 2 s (inotify watch limit reached)."]
        (tmp_path / "song-v3.wav").write_bytes(b"new")
        assert found(watch) == [str(tmp_path / "song-v3.wav")]


@pytest.mark.parametrize("observers", [[Refusing], [exhausted, Refusing]])
def test_where_nothing_can_be_watched_it_says_so(
    tmp_path: Path, observers: list[Callable[[], BaseObserver]]
) -> None:
    with watched(tmp_path, lambda: observers) as watch:
        (said,) = watch.take()[1]
        assert said.startswith("New bounces are not watched for (inotify watch limit reached).")
