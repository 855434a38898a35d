"""The record's form: what is written is what is read, and what is no record is refused in words."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.common.errors import UsageError
from simulator.session.log import FORMAT, Act, NewerRecordError, Record, from_json, to_json

TEXT = st.text(st.characters(blacklist_categories=["Cs"]), max_size=30)
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | FLOATS | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=8,
)  # fmt: skip
ACTS = st.builds(Act, TEXT, TEXT, st.dictionaries(TEXT, VALUES, max_size=4))
RECORDS = st.builds(Record, TEXT, st.lists(ACTS, max_size=6).map(tuple))


@settings(max_examples=100, deadline=None)
@given(RECORDS)
def test_reading_gives_back_what_was_written(record: Record) -> None:
    written = to_json(record)
    assert from_json(written) == record
    assert json.loads(written)["format"] == FORMAT


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_anything_else_is_refused_with_a_sentence(data: bytes) -> None:
    with pytest.raises(UsageError, match=r"this is not a session file|the record has format"):
        from_json(data)


@pytest.mark.parametrize("keep", [0, 1, 20, 60])
def test_a_torn_record_is_refused(keep: int) -> None:
    written = to_json(Record("A", (Act("2026-01-01T00:00:00+00:00", "note", {"text": "a"}),)))
    with pytest.raises(UsageError, match="not a session file"):
        from_json(written[:keep])


def test_a_newer_format_is_told_apart() -> None:
    with pytest.raises(NewerRecordError, match="has format 2"):
        from_json(b'{"format": 2, "something": "new"}')


def test_kinds_of_act_that_are_not_known_are_kept() -> None:
    data = b'{"format": 1, "title": "", "acts": [{"at": "t", "kind": "vote", "data": {"letter": "A"}}]}'
    record = from_json(data).with_act(Act("u", "note", {}))
    assert [act.kind for act in from_json(to_json(record)).acts] == ["vote", "note"]
    assert record.of_kind("vote")[0].data == {"letter": "A"}


@pytest.mark.parametrize("value", [float("nan"), float("inf"), [1.0, float("-inf")], {"a": float("nan")}])
def test_no_number_is_lost_silently(value: object) -> None:
    with pytest.raises(ValueError, match="no NaN"):
        to_json(Record("", (Act("t", "note", {"value": value}),)))
