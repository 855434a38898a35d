"""Names that fit their column, and many files under one head."""

from __future__ import annotations

import pytest
from rich.cells import cell_len
from support.made_measurements import made

from simulator.common.text import level
from simulator.text.measured import catalogue
from simulator.text.tables import shortened


@pytest.mark.parametrize(("text", "longest", "short"), [
    ("Short", 10, "Short"),
    ("Just fits!", 10, "Just fits!"),
    ("The song (open master)", 12, "The so…ster)"),
    ("One two three (v3)", 11, "One t…(v3)"),
])  # fmt: skip
def test_a_long_name_loses_its_middle(text: str, longest: int, short: str) -> None:
    assert shortened(text, longest) == short
    assert len(shortened(text, longest)) <= longest


def test_a_catalogue_is_a_line_a_file_in_aligned_columns() -> None:
    found = made(-14.2)
    names = [
        "short.wav",
        "a name that is far too long for its column.wav",
        "漢字の長い長い長い長い長い名前.flac",
    ]
    lines = catalogue([(name, found) for name in names], [None] * len(names), 80)
    assert len(lines) == 4
    assert {cell_len(line) for line in lines} == {80}
    assert lines[1].startswith("short.wav ")
    assert lines[1].split()[1:3] == [level(found.integrated_lufs), level(found.max_short_term_lufs)]
    assert "…" in lines[2]
    assert [line[-10:] for line in lines[1:]] == [lines[1][-10:]] * 3
