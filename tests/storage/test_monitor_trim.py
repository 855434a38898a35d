"""The trim is remembered, and never starts a session louder than −12 dB."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulator.session.state import FIRST_TRIM_DB, LOWEST_TRIM_DB
from simulator.storage.session_file import (
    NAME,
    remember_trim,
    starting_trim_db,
)


@pytest.mark.parametrize(
    ("kept_db", "next_db"),
    [(-20.0, -20.0), (-12.0, -12.0), (-6.0, FIRST_TRIM_DB), (0.0, FIRST_TRIM_DB), (-300.0, LOWEST_TRIM_DB)],
)
def test_the_next_session_starts_as_the_last_ended_but_not_louder_than_12_db_down(
    kept_db: float, next_db: float, tmp_path: Path
) -> None:
    assert remember_trim(tmp_path / "new", kept_db)
    assert starting_trim_db(tmp_path / "new") == next_db


def test_without_a_memory_it_is_12_db_down(tmp_path: Path) -> None:
    assert starting_trim_db(tmp_path) == FIRST_TRIM_DB == -12.0


@pytest.mark.parametrize(
    "text", ["", "{", '{"format": 2, "trim_db": -3.0}', '{"format": 1, "trim_db": "loud"}', "\xff", "[]"]
)
def test_a_file_that_is_damaged_or_newer_is_left_alone(text: str, tmp_path: Path) -> None:
    file = tmp_path / NAME
    file.write_text(text, encoding="latin-1")
    assert starting_trim_db(tmp_path) == FIRST_TRIM_DB
    assert not remember_trim(tmp_path, -20.0)
    assert file.read_text(encoding="latin-1") == text


def test_a_folder_that_cannot_be_written_is_no_fault_of_the_session(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("", encoding="utf-8")
    assert not remember_trim(in_the_way / "folder", -20.0)
    assert starting_trim_db(in_the_way / "folder") == FIRST_TRIM_DB
