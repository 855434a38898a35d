"""The cache: what it knows, when it does not trust, and how it fails without harm."""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.dsp.limiter import LimiterReport
from simulator.metering.measurement import WARNINGS, Measurement, Warning_
from simulator.metering.meter import measure_array
from simulator.storage.folders import cache_folder
from simulator.storage.measurement_cache import Store, pack, unpack

FOUND = Alignment(
    "different",
    44_100,
    44_100,
    100,
    100,
    None,
    None,
    None,
    None,
    False,
    None,
    0.02,
    None,
    0.9,
    (),
    (),
    "Other.",
)


@pytest.fixture(autouse=True)
def _closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Closes each store of a test at its end: Python 3.13 warns of a database that is left open."""
    made: list[Store] = []
    begin = Store.__init__

    def noted(self: Store, *words: Any, **named: Any) -> None:
        made.append(self)
        begin(self, *words, **named)

    monkeypatch.setattr(Store, "__init__", noted)
    yield
    for one in made:
        one.close()


@pytest.fixture
def warned() -> list[str]:
    return []


@pytest.fixture(scope="module")
def measured() -> Measurement:
    noise = np.random.default_rng(5).standard_normal((4 * 44_100, 2)) * 0.5
    return measure_array(np.clip(noise, -1.0, 1.0), 44_100)


def same(a: Measurement, b: Measurement) -> bool:
    return pack(a) == pack(b)


def file_of_age(path: Path, seconds: float) -> str:
    path.write_bytes(b"sound")
    now = path.stat().st_mtime
    os.utime(path, (now - seconds, now - seconds))
    return str(path)


def test_a_packed_measurement_comes_back_whole(measured: Measurement) -> None:
    back, limiter = unpack(pack(measured, LimiterReport(3.0, 0.5, 0.25)))
    assert same(back, measured)
    assert np.array_equal(back.series.true_peak, measured.series.true_peak)
    assert limiter == LimiterReport(3.0, 0.5, 0.25)
    assert measured.overs


def test_a_warning_kept_in_former_words_is_shown_in_today_s(measured: Measurement) -> None:
    """One whose code is not known, as of a later version, stays as it was kept."""
    kept = replace(
        measured, warnings=(Warning_("mono", "One channel."), Warning_("later", "Of a later one."))
    )
    back, _ = unpack(pack(kept))
    assert [note.text for note in back.warnings] == [WARNINGS["mono"].text, "Of a later one."]


@pytest.mark.parametrize("data", [b"", b"\x80", b"not a pack", b"\xc1" * 50])
def test_bytes_that_are_no_pack_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        unpack(data)


def test_a_kept_result_is_found_again(tmp_path: Path, warned: list[str], measured: Measurement) -> None:
    path = file_of_age(tmp_path / "a.wav", 60.0)
    first = Store(tmp_path / "cache", warned.append)
    first.keep_content(path, "c1")
    first.keep("c1", "s", measured)
    first.close()
    second = Store(tmp_path / "cache", warned.append)
    assert second.content_of(path) == "c1"
    found = second.find("c1", "s")
    assert found is not None
    assert same(found[0], measured)
    assert second.find("c1", "other settings") is None
    assert warned == []
    second.close()


def test_a_changed_file_is_not_known(tmp_path: Path, warned: list[str]) -> None:
    path = file_of_age(tmp_path / "a.wav", 60.0)
    store = Store(tmp_path / "cache", warned.append)
    store.keep_content(path, "c1")
    (tmp_path / "a.wav").write_bytes(b"other")
    assert store.content_of(path) is None
    store.close()


def test_a_young_file_is_not_trusted(tmp_path: Path, warned: list[str]) -> None:
    path = file_of_age(tmp_path / "a.wav", 0.5)
    store = Store(tmp_path / "cache", warned.append)
    store.keep_content(path, "c1")
    assert store.content_of(path) is None
    store.close()


@pytest.mark.parametrize("cached", [True, False])
def test_a_file_that_was_decoded_to_its_end_is_known_until_it_changes(
    tmp_path: Path, warned: list[str], cached: bool
) -> None:
    """Also where it is too young for the cache, or there is none."""
    store = Store(tmp_path / "cache" if cached else None, warned.append, rehash=True)
    path = tmp_path / "a.wav"
    path.write_bytes(b"1")
    assert not store.was_decoded(str(path))
    assert not store.was_decoded(str(tmp_path / "none.wav"))
    store.keep_content(str(path), "content")
    assert store.was_decoded(str(path))
    path.write_bytes(b"12")
    assert not store.was_decoded(str(path))


def test_rehash_reads_every_file_again(tmp_path: Path, warned: list[str]) -> None:
    path = file_of_age(tmp_path / "a.wav", 60.0)
    store = Store(tmp_path / "cache", warned.append, rehash=True)
    store.keep_content(path, "c1")
    assert store.content_of(path) is None
    store.close()


@pytest.mark.parametrize("content", [b"this is no database, " * 500, b"SQLite format 3\0" + b"\xff" * 5000])
def test_a_damaged_cache_is_set_aside_and_made_anew(
    tmp_path: Path, warned: list[str], measured: Measurement, content: bytes
) -> None:
    (tmp_path / "measurements.sqlite").write_bytes(content)
    store = Store(tmp_path, warned.append)
    store.keep("c", "s", measured)
    assert store.find("c", "s") is not None
    store.close()
    aside = list(tmp_path.glob("*set-aside*"))
    assert [path.read_bytes() for path in aside] == [content]
    assert len(warned) == 1


def test_a_newer_cache_is_set_aside(tmp_path: Path, warned: list[str]) -> None:
    database = sqlite3.connect(tmp_path / "measurements.sqlite")
    database.execute("PRAGMA user_version = 99")
    database.close()
    Store(tmp_path, warned.append).close()
    assert "format 99" in warned[0]
    assert len(list(tmp_path.glob("*set-aside*"))) == 1


def test_a_damaged_entry_is_measured_again(tmp_path: Path, warned: list[str], measured: Measurement) -> None:
    store = Store(tmp_path, warned.append)
    store.keep("c", "s", measured)
    store.close()
    database = sqlite3.connect(tmp_path / "measurements.sqlite")
    database.execute("UPDATE result SET data = x'00ff'")
    database.commit()
    database.close()
    store = Store(tmp_path, warned.append)
    assert store.find("c", "s") is None
    store.close()


def test_without_a_writable_place_there_is_one_warning_and_no_cache(
    tmp_path: Path, warned: list[str], measured: Measurement
) -> None:
    (tmp_path / "file").touch()
    store = Store(tmp_path / "file" / "cache", warned.append)
    store.keep("c", "s", measured)
    assert store.find("c", "s") is None
    assert len(warned) == 1
    assert warned[0].startswith("No cache: ")


def test_two_processes_may_share_it(tmp_path: Path, warned: list[str], measured: Measurement) -> None:
    one, two = Store(tmp_path, warned.append), Store(tmp_path, warned.append)
    for index in range(20):
        (one if index % 2 else two).keep(f"c{index}", "s", measured)
    assert all(one.find(f"c{index}", "s") and two.find(f"c{index}", "s") for index in range(20))
    assert warned == []
    one.close()
    two.close()


def test_the_cache_is_private(tmp_path: Path, warned: list[str]) -> None:
    Store(tmp_path / "new", warned.append).close()
    assert stat.S_IMODE((tmp_path / "new" / "measurements.sqlite").stat().st_mode) == 0o600


def test_the_cache_lies_in_the_users_cache_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache_folder() == tmp_path / "fairhearing"


def test_what_was_found_between_two_contents_is_kept_in_their_order(
    tmp_path: Path, warned: list[str]
) -> None:
    store = Store(tmp_path, warned.append)
    store.keep_pair("one", "two", "s", FOUND)
    assert store.find_pair("one", "two", "s", Alignment) == FOUND
    assert store.find_pair("two", "one", "s", Alignment) is None
    assert store.find_pair("one", "two", "other settings", Alignment) is None
    assert store.find_pair("one", "two", "s", Difference) is None  # another kind
    store.close()


def test_a_cache_from_before_pairs_were_kept_is_used_as_it_is(
    tmp_path: Path, warned: list[str], measured: Measurement
) -> None:
    store = Store(tmp_path, warned.append)
    store.keep("c", "s", measured)
    store.close()
    database = sqlite3.connect(tmp_path / "measurements.sqlite")
    database.execute("DROP TABLE pair")
    database.commit()
    database.close()
    store = Store(tmp_path, warned.append)
    store.keep_pair("one", "two", "s", FOUND)
    assert store.find_pair("one", "two", "s", Alignment) == FOUND
    assert store.find("c", "s") is not None
    store.close()
    assert warned == []
