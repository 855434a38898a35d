"""Delivery sheet: what was handed over, and what has changed since.

A sheet lists masters in their order, each with format, levels, silence at both ends, the decision it was
checked against, and two checksums: SHA-256 of the file, and SHA-256 of its samples alone (decoded to 32-bit
float, interleaved, little-endian), which tags and containers leave as it is. Paths are relative to the
sheet's folder, or bare names for files elsewhere. Keys are only ever added.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from simulator.common.errors import UsageError
from simulator.common.text import visible
from simulator.delivery.finding import Level

SCHEMA = 1
Checksum = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
Seconds = Annotated[float, Meta(ge=0.0, le=1e7)]
Decibels = Annotated[float, Meta(ge=-400.0, le=400.0)]


class StepPeak(Struct, frozen=True):
    """True peak after one conversion or codec that was checked."""

    step: str
    true_peak_dbtp: Decibels | None = None


class SheetDecision(Struct, frozen=True):
    """What a master was checked against, and who decided that. `decided` is where or when, in words."""

    destination: str = ""
    target_lufs: Decibels | None = None
    ceiling_dbtp: Decibels | None = None
    who: str = ""
    why: str = ""
    decided: str = ""


class SheetMaster(Struct, frozen=True):
    """One master. `bits` is None for floating point and lossy files; `gap_to_next_s` is the silence between
    this track and the next of its album; `level` is the check's worst finding when the sheet was written."""

    path: Annotated[str, Meta(min_length=1)]
    sample_rate: Annotated[int, Meta(ge=1)]
    channels: Annotated[int, Meta(ge=1)]
    frames: Annotated[int, Meta(ge=0)]
    duration_s: Seconds
    file_sha256: Checksum
    samples_sha256: Checksum
    number: Annotated[int, Meta(ge=1)]
    integrated_lufs: Decibels | None = None
    loudness_range_lu: Decibels | None = None
    true_peak_dbtp: Decibels | None = None
    title: str = ""
    artist: str = ""
    album: str = ""
    format: str = ""
    subtype: str = ""
    bits: int | None = None
    silence_at_start_s: Seconds = 0.0
    silence_at_end_s: Seconds = 0.0
    gap_to_next_s: Seconds | None = None
    level: Level = "fine"
    steps: tuple[StepPeak, ...] = ()
    decision: SheetDecision | None = None


class Sheet(Struct, frozen=True):
    """The whole sheet; `written_at` is ISO 8601 with the offset to UTC."""

    masters: tuple[SheetMaster, ...]
    schema: int = SCHEMA
    title: str = ""
    client: str = ""
    written_at: str = ""
    program: str = ""


AFTER = "true_peak_dbtp after "
_OF_DECISION = {
    "decided_for": "destination",
    "target_lufs": "target_lufs",
    "ceiling_dbtp": "ceiling_dbtp",
    "decided_by": "who",
    "decided_why": "why",
    "decided": "decided",
}
_OF_SHEET = {f"sheet_{key}": key for key in ("title", "client", "written_at", "program")}
_FIRST = ("path", "sample_rate", "channels", "frames", "duration_s", "integrated_lufs", "loudness_range_lu",
          "true_peak_dbtp")  # fmt: skip
"""As in what measure --csv prints."""


def csv_rows(sheet: Sheet) -> list[dict[str, Any]]:
    """A row a master; each row repeats what is true of the whole sheet."""
    whole = msgspec.to_builtins(sheet)
    rows = []
    for one in whole["masters"]:
        decision, steps = one.pop("decision") or {}, one.pop("steps")
        rows.append(
            {"schema": sheet.schema}
            | {key: one.pop(key) for key in _FIRST}
            | one
            | {column: decision.get(key) for column, key in _OF_DECISION.items()}
            | {AFTER + step["step"]: step["true_peak_dbtp"] for step in steps}
            | {column: whole[key] for column, key in _OF_SHEET.items()}
        )
    return rows


def read_sheet_text(text: str, where: str) -> Sheet:
    """The sheet in any of its forms, told apart by how the text begins. Raises UsageError."""
    start = text.lstrip()[:1]
    form = _in_html if start == "<" else _in_json if start in ("{", "[") else _in_csv
    try:
        sheet = form(text)
    except (msgspec.MsgspecError, csv.Error, ValueError, RecursionError) as problem:
        raise UsageError(
            f"{where}: cannot read this as a delivery sheet: {problem}.",
            "Give the HTML, JSON or CSV file that check --sheet wrote.",
        ) from None
    if sheet.schema > SCHEMA:
        raise UsageError(
            f"{where}: this delivery sheet has schema {sheet.schema}; this version reads up to {SCHEMA}.",
            "Use the newer version of the program.",
        )
    if not sheet.masters:
        raise UsageError(f"{where}: this delivery sheet lists no master.", "Write it again.")
    masters = tuple(msgspec.structs.replace(master, title=visible(master.title)) for master in sheet.masters)
    return msgspec.structs.replace(sheet, masters=masters, written_at=visible(sheet.written_at))


def _in_json(text: str) -> Sheet:
    return msgspec.json.decode(text, type=Sheet)


BLOCK_ID = "sheet"
_BLOCK = re.compile(rf"""<script\b[^>]{{0,200}}\bid\s?=\s?["']?{BLOCK_ID}\b[^>]{{0,200}}>""", re.IGNORECASE)


def _in_html(text: str) -> Sheet:
    """From the JSON block that an HTML sheet carries."""
    if (block := _BLOCK.search(text)) is None:
        raise ValueError("the page holds no sheet")
    return _in_json(text[block.end() :].partition("</script")[0])


def _in_csv(text: str) -> Sheet:
    reader = csv.DictReader(text.splitlines(), strict=True)
    missing = {"path", "file_sha256", "samples_sha256"} - set(reader.fieldnames or ())
    if missing:
        raise ValueError(f"no column {min(missing)}")
    masters: list[dict[str, Any]] = []
    whole: dict[str, Any] = {}
    for row in reader:
        cells = {key: _plain(cell) for key, cell in row.items() if key and cell}
        whole = whole or {key: cells[column] for column, key in _OF_SHEET.items() if column in cells} | {
            "schema": cells.get("schema", SCHEMA)
        }
        decision = {key: cells.pop(column) for column, key in _OF_DECISION.items() if column in cells}
        steps = [
            {"step": key.removeprefix(AFTER), "true_peak_dbtp": cells.get(key)}
            for key in row
            if key and key.startswith(AFTER) and cells.get(key)
        ]
        masters.append({**cells, "steps": steps, "decision": decision or None})
    return msgspec.convert({**whole, "masters": masters}, Sheet, strict=False)


def _plain(cell: str) -> str:
    """A cell without the apostrophe that keeps spreadsheets from working it out."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in ("=", "+", "-", "@") else cell


Since = Literal["same", "tags", "samples", "missing", "new"]
"""What a master is since the sheet: the same file; the same samples in another file; other samples; on the
sheet alone; not on the sheet."""
_LEVELS: Mapping[Since, Level] = {
    "same": "fine", "tags": "look", "samples": "fix", "missing": "fix", "new": "fix",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SheetChange:
    """One master since the sheet was written. `moved`: its place among the others is another one; `holds`:
    the title of the sheet's master whose samples this file has now, where that is another one."""

    since: Since
    was: SheetMaster | None
    now: SheetMaster | None
    moved: bool = False
    holds: str = ""

    @property
    def renamed(self) -> bool:
        return self.was is not None and self.now is not None and _name(self.was) != _name(self.now)

    @property
    def level(self) -> Level:
        """A listener would get something else: "fix"; the file alone is another: "look"."""
        level = "fix" if self.moved else _LEVELS[self.since]
        return "look" if level == "fine" and self.renamed else level


def changes(sheet: Sheet, now: Sequence[SheetMaster]) -> list[SheetChange]:
    """Every master of the sheet in its order, then what is new. Files are matched by path, then by name, then
    by their samples."""
    pairs: dict[int, int] = {}
    for key in _MATCHED_BY:
        for place, was in enumerate(sheet.masters):
            if place not in pairs:
                free = (at for at in range(len(now)) if at not in pairs.values() and key(was) == key(now[at]))
                found = next(free, None)
                if found is not None:
                    pairs[place] = found
    order = [pairs[pair] for pair in sorted(pairs)]
    kept = {
        order[block.a + at]
        for block in SequenceMatcher(None, order, sorted(order), autojunk=False).get_matching_blocks()
        for at in range(block.size)
    }
    made = []
    for place, was in enumerate(sheet.masters):
        if place not in pairs:
            made.append(SheetChange("missing", was, None))
            continue
        is_now = now[pairs[place]]
        since: Since = "same" if is_now.file_sha256 == was.file_sha256 else "tags"
        holds = ""
        if _samples(was) != _samples(is_now):
            since = "samples"
            holds = next((one.title for one in sheet.masters if _samples(one) == _samples(is_now)), "")
        made.append(SheetChange(since, was, is_now, pairs[place] not in kept, holds))
    new = (one for at, one in enumerate(now) if at not in pairs.values())
    return [*made, *(SheetChange("new", None, one) for one in new)]


def _name(sheet_master: SheetMaster) -> str:
    return PurePosixPath(sheet_master.path).name


def _samples(sheet_master: SheetMaster) -> tuple[str, int]:
    return sheet_master.samples_sha256, sheet_master.sample_rate


_MATCHED_BY: tuple[Callable[[SheetMaster], object], ...] = (
    lambda one: (one.path, _samples(one)),
    lambda one: one.path,
    lambda one: (_name(one), _samples(one)),
    _name,
    _samples,
)
