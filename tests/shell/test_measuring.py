"""Is what was measured kept at once, so that a long run which is stopped goes on from there?"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.shell.measuring import Job, Result, do_all
from simulator.shell.store import Store


@pytest.fixture
def songs(tmp_path: Path) -> list[Job]:
    jobs = []
    for index in range(3):
        path = tmp_path / f"{index}.wav"
        soundfile.write(path, np.random.default_rng(index).uniform(-0.1, 0.1, (8_000, 2)), 8_000)
        os.utime(path, (1_000_000_000, 1_000_000_000))  # old enough to be trusted
        jobs.append(Job(str(path)))
    return jobs


def test_what_is_measured_is_kept_before_the_next_file_is_done(tmp_path: Path, songs: list[Job]) -> None:
    store, done = Store(tmp_path / "cache", pytest.fail), 0

    def stop_after_two() -> None:
        nonlocal done
        done += 1
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        do_all(songs, store, 0, stop_after_two)
    store.close()
    again = Store(tmp_path / "cache", pytest.fail)
    assert [again.content_of(job.path) is not None for job in songs] == [True, True, False]
    assert all(isinstance(result, Result) for result in do_all(songs, again, 0))
    assert again.content_of(songs[2].path)
    again.close()
