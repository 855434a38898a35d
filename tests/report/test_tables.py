"""Names that fit their column."""

from __future__ import annotations

import pytest

from simulator.report.tables import shortened


@pytest.mark.parametrize(("text", "longest", "short"), [
    ("Short", 10, "Short"),
    ("Just fits!", 10, "Just fits!"),
    ("The song (open master)", 12, "The so…ster)"),
    ("One two three (v3)", 11, "One t…(v3)"),
])  # fmt: skip
def test_a_long_name_loses_its_middle(text: str, longest: int, short: str) -> None:
    assert shortened(text, longest) == short
    assert len(shortened(text, longest)) <= longest
