"""Is what was measured kept at once, so that a long run which is stopped goes on from there?"""

from __future__ import annotations

import logging
import os
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.engine import measure
from simulator.engine.measure import Job, Result, measure_all
from simulator.normalizer.profile import Delivery
from simulator.storage.measurement_cache import Store


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
        measure_all(songs, store, 0, stop_after_two)
    store.close()
    again = Store(tmp_path / "cache", pytest.fail)
    assert [again.content_of(job.path) is not None for job in songs] == [True, True, False]
    assert all(isinstance(result, Result) for result in measure_all(songs, again, 0))
    assert again.content_of(songs[2].path)
    again.close()


def test_a_file_that_a_list_names_many_times_is_measured_once(
    songs: list[Job], monkeypatch: pytest.MonkeyPatch
) -> None:
    measured, whole = [], measure.measure_alone

    def counted(job: Job) -> Result:
        measured.append(job.path)
        return whole(job)

    monkeypatch.setattr(measure, "measure_alone", counted)
    steps: list[None] = []
    wanted = [songs[0], songs[1], *[songs[0]] * 50]
    done = measure_all(wanted, Store(None, pytest.fail), 0, lambda: steps.append(None))
    assert measured == [songs[0].path, songs[1].path]
    assert len(steps) == len(done) == 52
    first, second = done[:2]
    assert done == [first, second, *[first] * 50]
    assert first != second


def test_no_worker_gets_a_file_that_is_not_there(
    tmp_path: Path, songs: list[Job], monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[str] = []

    def noted(job: Job) -> Result:
        given.append(job.path)
        return measure.measure_file(job)

    monkeypatch.setattr(measure, "measure_alone", noted)
    missing = [Job(str(tmp_path / f"missing {number}.wav")) for number in range(20)]
    done = measure_all([*missing, songs[0]], Store(None, pytest.fail), 0)
    assert given == [songs[0].path]
    assert all("file not found" in str(one) for one in done[:20])
    assert isinstance(done[20], Result)


def test_verbose_reports_what_was_measured_and_what_was_in_the_cache(
    tmp_path: Path, songs: list[Job], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "fairhearing")
    store = Store(tmp_path / "cache", pytest.fail)
    opus = Job(songs[0].path, delivery=Delivery(codec="opus", bit_rate_kbps=96.0))
    measure_all([songs[0], opus], store, 0)
    store.close()
    said = caplog.messages
    assert said[0] == "2 passes in this process"
    assert re.fullmatch(re.escape(songs[0].path) + r": measured in \d+\.\d\d s", said[1])
    assert re.search(r": encoded: Opus at 96 kbit/s, measured in \d", said[2])
    caplog.clear()
    again = Store(tmp_path / "cache", pytest.fail)
    measure_all([songs[0], Job(opus.path, -1.0, delivery=opus.delivery)], again, 0)  # measured, not encoded
    again.close()
    said = caplog.messages
    assert said[0] == f"{songs[0].path}: measured, from the cache"
    assert "Opus at 96 kbit/s from the cache, measured in" in said[2]
