"""Versions are laid over each other in a process of its own, which knows the cache and can be ended."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from simulator.audibility.audibility import Audibility
from simulator.common.errors import AudioError
from simulator.comparison.alignment import Alignment
from simulator.desk.background import Aligner

RATE = 8000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A song, the same half a second later, and a text."""
    made = tmp_path_factory.mktemp("versions")
    song = np.random.default_rng(5).standard_normal((6 * RATE, 2)) * 0.05
    soundfile.write(made / "first.wav", song, RATE, subtype="FLOAT")
    late = np.concatenate([np.zeros((RATE // 2, 2)), song])
    soundfile.write(made / "late.wav", late, RATE, subtype="FLOAT")
    (made / "text.wav").write_text("no audio", encoding="utf-8")
    return made


def test_each_pair_has_its_answer_and_the_cache_knows_it_the_next_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, late, text = (str(folder / f"{name}.wav") for name in ("first", "late", "text"))
    for path in (first, late):  # files that have just been written are not trusted by the cache
        old = time.time() - 10.0
        os.utime(path, (old, old))
    aligner = Aligner(folder / "cache")
    good, bad = aligner.align([(first, late), (first, text)])
    assert isinstance(good, Alignment)
    assert good.offset_s == pytest.approx(0.5, abs=1 / RATE)
    assert isinstance(bad, AudioError)
    assert "text.wav" in bad.message
    again = Aligner(folder / "cache")
    monkeypatch.setattr(
        again,
        "_apart",
        lambda pairs, compare: [] if not pairs else pytest.fail(f"not from the cache {compare}"),
    )
    assert again.align([(first, late)]) == [good]


def test_pairs_are_compared_in_a_process_too_and_the_cache_knows_them_the_next_time(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, late, text = (str(folder / f"{name}.wav") for name in ("first", "late", "text"))
    for path in (first, late):
        old = time.time() - 10.0
        os.utime(path, (old, old))
    aligner = Aligner(folder / "compared")
    good, bad = aligner.compare([(first, late), (first, text)])
    assert isinstance(good, Audibility)
    assert good.share_audible == 0.0
    assert isinstance(bad, str)
    assert "text.wav" in bad
    again = Aligner(folder / "compared")
    monkeypatch.setattr(
        again,
        "_apart",
        lambda pairs, compare: [] if not pairs else pytest.fail(f"not from the cache {compare}"),
    )
    assert again.compare([(first, late)]) == [good]


def test_what_is_ended_is_an_answer_too(folder: Path) -> None:
    """Ended while its process still starts, long before it can be done."""
    first, late = str(folder / "first.wav"), str(folder / "late.wav")
    aligner = Aligner(None)
    found: list[object] = []
    thread = threading.Thread(target=lambda: found.extend(aligner.align([(first, late)])))
    thread.start()
    while not aligner._children or not aligner._children[0].running:
        time.sleep(0.002)
    aligner.close()
    thread.join(10.0)
    (answer,) = found
    assert isinstance(answer, AudioError)
    assert "could not be time-aligned" in answer.message
    assert aligner.align([(first, late)])[0].__class__ is AudioError  # nothing is begun any more
