"""Which file is a newer revision of which, by its name.

Two files of one folder with the same extension are revisions of one another where their names differ only in
their revision marks; the one with the greater mark is newer, and a name without one is the first. Marks are:
- v2, v2.1, v2b, ver 2, version 2, rev 3, r3, mk2: a word of its own, v also behind another ("songv2");
- a number behind master, mix, final, bounce, print or export ("master 3"); the word itself stays in the name;
- a date with its year in four digits: 2026-11-28, 20261128 or 28.11.2026, with or without a time of day.
A bare number is none: "song 2" may be another song. Any other word makes another thing: "song-instrumental",
"song-v3-edit". Case and the signs between words do not count.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

_GAP = r"[\s._-]*"
_DATE = re.compile(
    r"(?<!\d)(?:(?P<year>20\d\d)(?P<gap>[-_.]?)(?P<month>0[1-9]|1[0-2])(?P=gap)(?P<day>0[1-9]|[12]\d|3[01])"
    r"|(?P<day2>0[1-9]|[12]\d|3[01])(?P<gap2>[-_.])(?P<month2>0[1-9]|1[0-2])(?P=gap2)(?P<year2>20\d\d))"
    r"(?:[\s_T-](?P<hour>[01]\d|2[0-3])[-.h]?(?P<minute>[0-5]\d))?(?!\d)",
    re.IGNORECASE,
)
_NUMBER = re.compile(
    rf"(?:(?:(?<![^\W_])(?:version|ver|revision|rev|r|mk)|v){_GAP}"
    rf"|(?<![^\W_])(?P<word>master|mix|final|bounce|print|export){_GAP})"
    r"(?P<number>\d{1,3})(?:\.(?P<minor>\d{1,3})|(?P<letter>[a-z]))?(?![^\W_])",
    re.IGNORECASE,
)
_BETWEEN = re.compile(r"[\s._-]+")


@dataclass(frozen=True, slots=True)
class RevisionName:
    """A file's name taken apart: the folder, the name without its marks, and what tells its revision: the
    number with its second place (0, 0 without one) and the date (year, month, day, hour, minute; empty
    without one). `mark` is how a person calls it ("v3"), empty without marks."""

    folder: str
    name: str
    number: tuple[int, int]
    date: tuple[int, ...]
    mark: str


def revision_name(path: str) -> RevisionName:
    """What a path's name says of the revision."""
    pure = PurePath(path)
    stem = unicodedata.normalize("NFC", pure.stem)
    number, date, marks = (0, 0), tuple[int, ...](), []
    if (found := _DATE.search(stem)) is not None:
        groups = found.groupdict()
        day = (groups[name] or groups[f"{name}2"] for name in ("year", "month", "day"))
        date = tuple(int(part) for part in (*day, groups["hour"] or 0, groups["minute"] or 0))
        marks.append(found[0])
        stem = f"{stem[: found.start()]} {stem[found.end() :]}"
    if (found := _NUMBER.search(stem)) is not None:
        minor = int(found["minor"]) if found["minor"] else ord((found["letter"] or "`").lower()) - ord("`")
        number = int(found["number"]), minor
        marks.insert(0, found[0])
        stem = f"{stem[: found.start()]} {found['word'] or ''} {stem[found.end() :]}"
    words = _BETWEEN.sub(" ", stem).strip().casefold()
    return RevisionName(str(pure.parent), f"{words}{pure.suffix.lower()}", number, date, " ".join(marks))


def is_newer(path: str, than: str) -> bool:
    """True where `path` is a newer revision of the file `than`, by the two names."""
    new, old = revision_name(path), revision_name(than)
    if (new.folder, new.name) != (old.folder, old.name) or (old.date and not new.date):
        return False
    if old.number != (0, 0) and new.number == (0, 0):
        return False
    return (new.number, new.date) > (old.number, old.date)


def revised_file(path: str, known: Iterable[str]) -> str | None:
    """Which of the known files a new file is the next revision of: itself, where it was written over; else
    the newest of those that it is newer than; None where it is none of theirs."""
    known = list(known)
    if path in known:
        return path
    older = [one for one in known if is_newer(path, one)]
    return max(older, key=lambda one: (revision_name(one).number, revision_name(one).date), default=None)
