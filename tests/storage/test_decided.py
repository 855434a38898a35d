"""What a record's decision may say: numbers that `check` takes too, and no others."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulator.common.errors import UsageError
from simulator.session.log import Act, Record, to_json
from simulator.storage.session_file import read_decisions


def record(folder: Path, **data: object) -> str:
    path = folder / "a.session.json"
    path.write_bytes(to_json(Record("A", (Act("2026-01-02T10:00:00+01:00", "decision", dict(data)),))))
    return str(path)


def test_the_last_decision_is_read(tmp_path: Path) -> None:
    found = read_decisions(record(tmp_path, target_lufs=-14, ceiling_dbtp=-1.0)).of()
    assert (found.target_lufs, found.ceiling_dbtp) == (-14.0, -1.0)


@pytest.mark.parametrize(
    ("key", "value"),
    [("target_lufs", 1e308), ("target_lufs", 0.1), ("target_lufs", 10**400),
     ("target_lufs", -61), ("ceiling_dbtp", -1e308),
     ("ceiling_dbtp", 6.5), ("ceiling_dbtp", True), ("target_lufs", "loud")],
)  # fmt: skip
def test_a_number_that_no_master_can_have_is_refused_in_words(
    tmp_path: Path, key: str, value: object
) -> None:
    with pytest.raises(UsageError, match=f"{key} of the last decision is"):
        read_decisions(record(tmp_path, **{key: value})).of()
