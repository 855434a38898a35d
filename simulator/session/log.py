"""Session log: an append-only list of acts, and its form on disk.

The form is JSON: `format` 1, a title, and acts in time order, each with its time stamp, its kind and its
data. Kinds that this version does not know are kept as they are, so that trials, votes and decisions are
further kinds of act and no new format. `format` is raised only when an older reader would misread it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from simulator.common.errors import UsageError
from simulator.common.text import as_utf8

FORMAT = 1
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
