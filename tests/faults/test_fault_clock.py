"""The system's clock jumps: what sounds, what is measured and what is kept do not care."""

from __future__ import annotations

import ast
from pathlib import Path

from support import source

from simulator.session.log import Act
from simulator.storage.session_file import RecordFile

WALL_CLOCK = {
    "time.time",
    "time.time_ns",
    "datetime.now",
    "datetime.datetime.now",
    "datetime.utcnow",
    "time.ctime",
}
ALLOWED = {
    "storage/measurement_cache.py": "is a file old enough to be trusted; the name of what is set aside",
    "storage/session_file.py": "the time stamps of acts",
}


def test_nothing_but_time_stamps_looks_at_the_clock_on_the_wall() -> None:
    """Durations come from the monotonic clock; places from frames."""
    users = set()
    for module in source.modules():
        for node in source.nodes(module):
            if isinstance(node, ast.Attribute) and ast.unparse(node) in WALL_CLOCK:
                users.add(module)
    assert users == set(ALLOWED)


def test_a_record_keeps_the_order_of_acts_whatever_their_time_stamps(tmp_path: Path) -> None:
    warnings: list[str] = []
    kept = RecordFile(tmp_path / "a.session.json", warnings.append, "A")
    stamps = ["2026-05-01T10:00:00+02:00", "1970-01-01T00:00:00+00:00", "2038-01-20T00:00:00+00:00"]
    for stamp in stamps:
        kept.keep(Act(stamp, "note", {"text": stamp}))
    kept.close()
    again = RecordFile(tmp_path / "a.session.json", warnings.append, "A")
    assert [act.at for act in again.record.acts] == stamps
    again.close()
    assert warnings == []
