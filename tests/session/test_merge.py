"""Two session files of one list in one: every note of both, in order, nothing twice."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta, timezone

from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_session import Desk

from simulator.session.events import Merge, Merged
from simulator.session.excerpts import Mark
from simulator.session.log import Act, Record, merged, missing
from simulator.session.provenance import copy_words

START = datetime(2026, 11, 28, 12, 0, tzinfo=UTC)


def stamp(minute: int, hours: int = 0) -> str:
    """The same moment, as it is written in a zone."""
    return (START + timedelta(minutes=minute)).astimezone(timezone(timedelta(hours=hours))).isoformat()


times = st.one_of(
    st.builds(stamp, st.integers(0, 6), st.integers(-2, 2)),
    st.sampled_from(["", "at 1", "2026-11-28T12:03:00", "2026-13-40T12:03:00Z", "0000-01-01T00:00:00"]),
)
acts = st.builds(
    lambda at, kind, text: Act(at, kind, {"text": text, "place_s": 1.5}),
    times,
    st.sampled_from(["note", "mark", "decision", "play"]),
    st.sampled_from("abc"),
)
records = st.builds(lambda found: Record("list", tuple(found)), st.lists(acts, max_size=8))


def said(record: Record) -> Counter[str]:
    return Counter(map(repr, record.acts))


@given(records, records)
def test_every_note_of_both_and_none_twice(first: Record, second: Record) -> None:
    both = merged(first, second)
    assert said(both) == said(first) | said(second)  # of each as many as the one that has more
    assert missing(both, first) == missing(both, second) == ()


@given(records, records)
def test_once_more_changes_nothing(first: Record, second: Record) -> None:
    assert merged(first, first) == first
    both = merged(first, second)
    assert merged(both, second) == both
    assert merged(both, first) == both


@settings(deadline=None)  # a busy machine is no fault
@given(records, records)
def test_each_keeps_its_order(first: Record, second: Record) -> None:
    both = list(merged(first, second).acts)
    for own in (first.acts, missing(first, second)):
        at = 0
        for act in own:
            at = both.index(act, at) + 1


def test_in_order_of_time_whatever_the_zone() -> None:
    here = Record("list", (Act(stamp(1), "note", {"text": "one"}), Act(stamp(5), "note", {"text": "five"})))
    there = Record("", (Act(stamp(3, 9), "note", {"text": "three"}), Act(stamp(7, -5), "note", {})))
    assert [act.at for act in merged(here, there).acts] == [stamp(1), stamp(3, 9), stamp(5), stamp(7, -5)]
    assert merged(there, here).title == "list"


def test_the_desk_asks_for_it_and_has_the_marks_then() -> None:
    desk = Desk()
    desk.do("merge")
    assert desk.found(Merge) == [Merge()]
    note = Act(stamp(1), "note", {"text": "one"})
    name = "list.desk2.session.json"
    text = desk.do(Merged({name: (note, note, Act("", "play"))}, (Mark("chorus", 0, 24.0),), 3))
    assert text == f"Added to this session: {name} (2 notes). The other file stays unchanged."
    assert desk.session.marks == (Mark("chorus", 0, 24.0),)
    assert desk.session.earlier_notes == 3
    assert "anything new" in desk.do(Merged({}, (), 3))


def test_only_what_somebody_said_is_offered() -> None:
    assert copy_words("x.json", [Act("", "opened"), Act("", "play")]) == ""
    found = [Act("", "note"), Act("", "note"), Act("", "decision"), Act("", "play")]
    told = copy_words("x.json", found)
    assert told.startswith("Another session file of this list, x.json, holds more: 2 notes, 1 decision.")
