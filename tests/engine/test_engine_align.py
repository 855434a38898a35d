"""Two files aligned and compared: reading, cache, scratch, a decoder's process, and faults by name."""

from __future__ import annotations

import logging
import os
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from support.made_versions import RATE, Version, song

from simulator.audibility.audibility import Audibility
from simulator.common.errors import AudioError, UsageError
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.engine import align
from simulator.engine.align import alignment_of, compare_files, difference_audio
from simulator.storage.measurement_cache import Store, unpack_pair


@pytest.fixture(scope="module")
def made() -> Version:
    return song(5.0)


@pytest.fixture(scope="module")
def crushed(made: Version) -> Version:
    return np.clip(4.0 * made[1000:], -0.5, 0.5)


@pytest.fixture
def pair(tmp_path: Path, made: Version, crushed: Version) -> tuple[str, str]:
    return old(tmp_path / "open.wav", made), old(tmp_path / "loud.wav", crushed)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    warned: list[str] = []
    opened = Store(tmp_path / "cache", warned.append)
    yield opened
    opened.close()
    assert warned == []


def old(path: Path, samples: np.ndarray, rate: int = RATE, form: str | None = "FLOAT") -> str:
    """Written, and old enough for the cache to trust its time stamp."""
    soundfile.write(path, samples, rate, subtype=form)
    then = path.stat().st_mtime - 60.0
    os.utime(path, (then, then))
    return str(path)


def no_reading(*_: object) -> None:
    raise AssertionError("the file was read again")


def test_two_files_are_aligned_and_compared(pair: tuple[str, str], store: Store) -> None:
    alignment, difference, audibility = compare_files(*pair, store)
    assert alignment.offset_frames == -1000
    assert difference is not None
    assert difference.match_gain_db is not None
    assert -12.1 < difference.match_gain_db < -8.0
    assert difference.gain_riding_share is not None
    assert audibility is not None
    assert audibility.share_audible is not None
    assert audibility.share_audible < 0.05  # noise hides the distortion of noise


def test_what_was_found_is_kept(
    pair: tuple[str, str], store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "fairhearing")
    first = compare_files(*pair, store)
    assert re.fullmatch(r".*loud\.wav: compared with .*open\.wav in \d+\.\d\d s", caplog.messages[-1])
    monkeypatch.setattr(align, "AudioReader", no_reading)
    assert compare_files(*pair, store) == first
    assert caplog.messages[-1].endswith("open.wav, from the cache")
    assert alignment_of(*pair, store) == first[0]
    with pytest.raises(AssertionError, match="read again"):
        alignment_of(pair[1], pair[0], store)  # the other way round is another question


def test_a_renamed_version_is_known(
    pair: tuple[str, str], store: Store, tmp_path: Path, made: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = alignment_of(*pair, store)
    copy = old(tmp_path / "copy.wav", made)
    store.keep_content(copy, store.content_of(pair[0]) or "")
    monkeypatch.setattr(align, "AudioReader", no_reading)
    assert alignment_of(copy, pair[1], store) == found


def test_a_damaged_entry_is_found_again(pair: tuple[str, str], tmp_path: Path) -> None:
    warned: list[str] = []
    first = Store(tmp_path / "cache", warned.append)
    found = compare_files(*pair, first)
    first.close()
    database = sqlite3.connect(tmp_path / "cache" / "measurements.sqlite")
    assert database.execute("UPDATE pair SET data = x'00ff'").rowcount == 3
    database.commit()
    database.close()
    second = Store(tmp_path / "cache", warned.append)
    assert compare_files(*pair, second) == found
    second.close()
    assert warned == []


def test_packed_findings_come_back_whole(pair: tuple[str, str], store: Store) -> None:
    alignment, difference, audibility = compare_files(*pair, store)
    assert difference is not None
    assert unpack_pair(msgspec.msgpack.encode(alignment), Alignment) == alignment
    assert audibility is not None
    assert unpack_pair(msgspec.msgpack.encode(difference), Difference) == difference
    assert unpack_pair(msgspec.msgpack.encode(audibility), Audibility) == audibility
    with pytest.raises(ValueError, match=r"\w"):
        unpack_pair(msgspec.msgpack.encode(alignment), Difference)


def test_different_performances_have_no_difference(tmp_path: Path, made: Version, store: Store) -> None:
    one, other = old(tmp_path / "a.wav", made), old(tmp_path / "b.wav", song(5.0, seed=9))
    alignment, difference, audibility = compare_files(one, other, store)
    assert alignment.kind == "different"
    assert difference is None
    assert audibility is None
    with (
        pytest.raises(UsageError, match=r"b\.wav: nothing to compare with .*Not the same performance"),
        difference_audio(one, other, store),
    ):
        pass


def test_the_difference_is_given_as_audio(
    pair: tuple[str, str], store: Store, made: Version, crushed: Version
) -> None:
    with difference_audio(*pair, store) as audio:
        samples = np.concatenate(list(audio.blocks))
        assert (audio.sample_rate, audio.channels, audio.frames) == (RATE, 2, made.shape[0])
    assert samples.shape == made.shape
    gain = 10.0 ** ((audio.difference.match_gain_db or 0.0) / 20.0)
    assert np.abs(samples[1000:] - (made[1000:] - gain * crushed)).max() < 1e-6
    assert not samples[:1000].any()


@pytest.mark.heavy
def test_long_files_lie_on_scratch_and_give_the_same(
    pair: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, made: Version
) -> None:
    faster = old(tmp_path / "48k.wav", made, 48_000)  # played at another rate: another performance
    nowhere = Store(None, print)
    in_memory = compare_files(*pair, nowhere), compare_files(pair[0], faster, nowhere)
    made_arrays: list[np.ndarray] = []
    scratch = align._Scratch.new
    monkeypatch.setattr(align, "IN_MEMORY_BYTES", 1000)
    monkeypatch.setattr(
        align._Scratch, "new", lambda *given: made_arrays.append(scratch(*given)) or made_arrays[-1]
    )
    assert (compare_files(*pair, nowhere), compare_files(pair[0], faster, nowhere)) == in_memory
    assert len(made_arrays) >= 5  # two files twice, and one converted
    assert all(isinstance(one, np.memmap) for one in made_arrays)


def test_lossy_files_are_worked_on_in_a_process_of_their_own(
    tmp_path: Path, made: Version, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = old(tmp_path / "open.wav", made)
    lossy = tmp_path / "lossy.ogg"
    with soundfile.SoundFile(lossy, "w", RATE, 2, format="OGG", subtype="VORBIS") as file:
        for start in range(0, made.shape[0], RATE):
            file.write(made[start : start + RATE])
    monkeypatch.delenv("FAIRHEARING_IN_PROCESS")
    monkeypatch.setattr(align, "_read", no_reading)  # in this process; the worker has its own
    alignment, difference, _ = compare_files(first, str(lossy), store)
    assert alignment.kind == "aligned"
    assert alignment.offset_frames == pytest.approx(0.0, abs=0.02)
    assert difference is not None
    assert difference.residual_lu is not None
    assert difference.residual_lu < -3.0  # noise is what a lossy codec codes worst


def test_a_missing_file_is_named(pair: tuple[str, str], store: Store) -> None:
    with pytest.raises(AudioError, match=r"nowhere\.wav: file not found"):
        compare_files(pair[0], str(Path(pair[0]).with_name("nowhere.wav")), store)


def test_a_sample_that_is_no_number_is_named_with_its_time(
    tmp_path: Path, made: Version, store: Store
) -> None:
    bad = made.copy()
    bad[3 * RATE, 1] = np.nan
    path = old(tmp_path / "bad.wav", bad)
    with pytest.raises(AudioError, match=r"bad\.wav: the sample at 0:03\.0 is not a finite number"):
        compare_files(old(tmp_path / "a.wav", made), path, store)


def test_layouts_that_do_not_match_are_named(tmp_path: Path, made: Version, store: Store) -> None:
    six = old(tmp_path / "six.wav", np.repeat(made, 3, axis=1))
    with pytest.raises(AudioError, match=r"six\.wav cannot be aligned with .*2 and 6 channels"):
        compare_files(old(tmp_path / "a.wav", made), six, store)
