"""Session log: an append-only list of acts, and its form on disk.

The form is JSON: `format` 1, a title, and acts in time order, each with its time stamp, its kind and its
data. Kinds that this version does not know are kept as they are, so that trials, votes and decisions are
further kinds of act and no new format. `format` is raised only when an older reader would misread it.
"""

from __future__ import annotations

import re
from calendar import timegm
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from simulator.common.errors import UsageError
from simulator.common.text import as_utf8

FORMAT = 1
_AT = re.compile(
    r"([1-9]\d{3})-(0[1-9]|1[0-2])-(\d\d)T(\d\d):(\d\d):(\d\d)[.\d]*(?:(?P<sign>[+-])(?P<hours>\d\d):(?P<minutes>\d\d)|Z?)$"
)
"""ISO 8601, as acts are stamped; without an offset to UTC it counts as UTC."""
Value = None | bool | int | float | str | list["Value"] | dict[str, "Value"]


@dataclass(frozen=True, slots=True)
class Act:
    """Something that was done: when (ISO 8601, with the offset to UTC), what, and with which values."""

    at: str
    kind: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Record:
    """A session's acts in their order."""

    title: str = ""
    acts: tuple[Act, ...] = ()

    def with_act(self, act: Act) -> Record:
        """The record with one act more; what in its texts has no form in UTF-8 is spelled out."""
        return replace(self, acts=(*self.acts, replace(act, data=keepable(act.data))))

    def of_kind(self, kind: str) -> tuple[Act, ...]:
        return tuple(act for act in self.acts if act.kind == kind)


def missing(record: Record, other: Record) -> tuple[Act, ...]:
    """The acts of another record that this one has not, as often as it lacks them; in the other's order."""
    here = Counter(_form(act) for act in record.acts)
    found = []
    for act in other.acts:
        form = _form(act)
        if here[form]:
            here[form] -= 1
        else:
            found.append(act)
    return tuple(found)


def merged(record: Record, other: Record) -> Record:
    """Both records in one, by time: nothing is lost, and what stands in both stands once. Each keeps the
    order of its own acts; an act without a readable time follows the one before it."""
    acts, extra = list(_timed(record.acts)), list(_timed(missing(record, other)))
    both = []
    while acts and extra:
        both.append((extra if extra[0][0] < acts[0][0] else acts).pop(0))
    both += acts + extra
    return replace(record, title=record.title or other.title, acts=tuple(act for _, act in both))


def _form(act: Act) -> bytes:
    """Equal for acts that say the same, in whatever order their values stand."""
    return msgspec.json.encode(act, order="sorted")


def _timed(acts: Iterable[Act]) -> Iterator[tuple[float, Act]]:
    """Each act with its moment in seconds since 1970."""
    at_s = float("-inf")
    for act in acts:
        if (found := _AT.match(act.at)) is not None:
            day_and_time, offset = [int(part) for part in found.groups()[:6]], found["sign"]
            east_s = (int(found["hours"]) * 3600 + int(found["minutes"]) * 60) if offset else 0
            at_s = timegm((*day_and_time, 0, 0, 0)) - (-east_s if offset == "-" else east_s)
        yield at_s, act


class _LogForm(msgspec.Struct, forbid_unknown_fields=False):
    format: int
    title: str
    acts: list[Act]


class _Version(msgspec.Struct):
    format: int


class NewerRecordError(UsageError):
    """The record was written by a newer version of the program."""


def to_json(record: Record) -> bytes:
    """The form on the disk, readable by people (an act a line). Raises TypeError for values that JSON
    cannot hold, ValueError for NaN and infinities."""
    acts = [msgspec.json.encode(act) for act in record.acts]
    if any(b"null" in act for act in acts):
        for act in record.acts:
            _refuse_odd_numbers(act.data)
    head = b'{"format": %d, "title": %s, "acts": [' % (FORMAT, msgspec.json.encode(record.title))
    return head + b",".join(b"\n" + act for act in acts) + b"\n]}\n"


def from_json(data: bytes) -> Record:
    """What `to_json` wrote. Raises NewerRecordError, and UsageError for what is no record."""
    try:
        version = msgspec.json.decode(data, type=_Version).format
        if version > FORMAT:
            raise NewerRecordError(
                f"the session file has format {version}; this version reads up to {FORMAT}.",
                "Open it with the newer version of the program.",
            )
        form = msgspec.json.decode(data, type=_LogForm)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as problem:
        raise UsageError(f"this is not a session file: {problem}.", "Restore it from a copy.") from None
    return Record(form.title, tuple(form.acts))


def keepable(value: Any) -> Any:
    """The value with every text in it as UTF-8 can hold it: file names and lines may hold other bytes."""
    if isinstance(value, str):
        return as_utf8(value)
    if isinstance(value, dict):
        return {keepable(key): keepable(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [keepable(one) for one in value]
    return value


def _refuse_odd_numbers(value: Any) -> None:
    """msgspec writes NaN and infinities as null, which would be another value when read again."""
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        raise ValueError("a session file holds no NaN and no infinity")
    if isinstance(value, dict):
        for one in value.values():
            _refuse_odd_numbers(one)
    elif isinstance(value, list | tuple):
        for one in value:
            _refuse_odd_numbers(one)
