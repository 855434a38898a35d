"""The delivery sheet of `check`: written in its three forms, and what has changed since."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from simulator.common.errors import UsageError, WriteError
from simulator.common.text import level, printed_gap, signed, visible
from simulator.common.units import format_time
from simulator.delivery.sheet import SCHEMA, Sheet, SheetChange, SheetMaster, Since, csv_rows
from simulator.storage.writing import refuse_existing, whole_file
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from simulator.cli.readout import Readout

FORMS = (".html", ".json", ".csv")
LONGEST_TITLE = 28
MOST_UNCHANGED = 12
"""Longer sheets list only the masters that changed."""


def check_sheet_name(path: Path, force: bool) -> None:
    """Before any work: raises UsageError for another ending, WriteError where a file is there already."""
    if path.suffix.lower() not in FORMS:
        raise UsageError(f"{path}: a sheet is an .html, .json or .csv file.", "Example: --sheet album.html")
    if not path.parent.is_dir():
        raise WriteError(f"{path}: the folder {path.parent} does not exist.", "Create it, or choose another.")
    refuse_existing([path], force)


def write_sheet(path: Path, sheet: Sheet, force: bool) -> None:
    """In the form that the name's ending asks for. Raises WriteError."""
    from simulator.cli.output import write_csv
    from simulator.page.file.build import templates
    from simulator.page.sheet import sheet_html

    refuse_existing([path], force)
    form = path.suffix.lower()
    with whole_file(path, force) as passing, open(passing, "w", encoding="utf-8", newline="\n") as file:
        if form == ".csv":
            write_csv(csv_rows(sheet), file)
        elif form == ".json":
            data = msgspec.to_builtins(sheet)
            file.write(json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n")
        else:
            again = f"fairhearing check --against {shlex.quote(path.name)}"
            file.write(sheet_html(sheet, templates(), again))


def show_changes(out: Readout, changes: Sequence[SheetChange], sheet: Sheet) -> None:
    """The answer, then a line for each master."""
    count = len(sheet.masters)
    out.answer(answer(changes, sheet))
    if out.quiet:
        return
    shown = [change for change in changes if change.level != "fine" or count <= MOST_UNCHANGED or out.detail]
    if not shown:
        return
    from rich.text import Text

    table = grid(["#", "Master", "since the sheet"], [True, False, False])
    for one in shown:
        master = one.was or one.now
        assert master is not None
        state = ": ".join(filter(None, [_STATES[one.since], ", ".join(_differences(one))]))
        number = str(one.was.number) if one.was is not None else ""
        table.add_row(number, shortened(master.title, LONGEST_TITLE), Text(state, style=one.level))
    out.table(table)


def change_object(sheet_change: SheetChange) -> dict[str, Any]:
    """One master of `check --against --json`."""
    file, titled = sheet_change.now or sheet_change.was, sheet_change.was or sheet_change.now
    assert file is not None
    assert titled is not None
    return {
        "schema": SCHEMA,
        "path": file.path,
        "title": titled.title,
        "since": sheet_change.since,
        "level": sheet_change.level,
        "moved": sheet_change.moved,
        "renamed": sheet_change.renamed,
        "holds": sheet_change.holds,
        "was": None if sheet_change.was is None else msgspec.to_builtins(sheet_change.was),
        "now": None if sheet_change.now is None else msgspec.to_builtins(sheet_change.now),
    }


_STATES: dict[Since, str] = {
    "same": "unchanged", "tags": "samples unchanged", "samples": "samples changed", "missing": "missing",
    "new": "not on the sheet",
}  # fmt: skip


def answer(changes: Sequence[SheetChange], sheet: Sheet) -> str:
    """What a listener would get now, in a sentence; other files with the same samples where that is all."""
    count, states = len(sheet.masters), Counter(change.since for change in changes)
    since = f"the sheet of {sheet.written_at.replace('T', ' ')[:16]}" if sheet.written_at else "the sheet"
    parts = [
        f"samples changed in {states['samples']} of {_masters(count)}" if states["samples"] else "",
        f"{states['missing']} of {_masters(count)} missing" if states["missing"] else "",
        f"{states['new']} not on the sheet" if states["new"] else "",
        f"{moved} in another place" if (moved := sum(change.moved for change in changes)) else "",
    ]
    if any(parts):
        return f"Changed since {since}: {', '.join(filter(None, parts))}."
    files = sum(change.level == "look" for change in changes)
    also = f"; {files} {'has' if files == 1 else 'have'} another name, container or tags" if files else ""
    whose = "the master has" if count == 1 else f"all {count} masters have"
    return f"{'Samples unchanged' if files else 'Unchanged'}: {whose} the same samples as on {since}{also}."


def _masters(count: int) -> str:
    return "1 master" if count == 1 else f"{count} masters"


def _differences(sheet_change: SheetChange) -> list[str]:
    """What changed, by the figures that are printed."""
    from simulator.page.sheet import format_words

    was, now = sheet_change.was, sheet_change.now
    if was is None or now is None:
        return []
    found = [f"now in place {now.number}"] if sheet_change.moved else []
    if sheet_change.renamed:
        found.append(f"now named {visible(now.path)}")
    before, after = format_words(was), format_words(now)
    if before != after:
        found.append(f"now {after.removesuffix(before.partition(', ')[2]).rstrip(', ')}")
    elif sheet_change.since == "tags":
        found.append("other tags or header")
    if sheet_change.since != "samples":
        return found
    if sheet_change.holds:
        found.append(f"now holds {sheet_change.holds}")
    longer = now.duration_s - was.duration_s
    if format_time(now.duration_s) != format_time(was.duration_s):
        found.append(f"{abs(longer):.1f} s {'longer' if longer > 0.0 else 'shorter'}")
    return found + _levels(was, now)


def _levels(was: SheetMaster, now: SheetMaster) -> list[str]:
    found = []
    for key, unit, name in (("integrated_lufs", "LU", ""), ("loudness_range_lu", "LU", "range "),
                            ("true_peak_dbtp", "dB", "true peak ")):  # fmt: skip
        before, after = getattr(was, key), getattr(now, key)
        gap = printed_gap(after, before)
        if gap is None and before != after:
            found.append(f"{name or 'loudness '}{level(before)} to {level(after)}")
        elif gap:
            found.append(f"{name}{signed(gap)} {unit}")
    return found or ["same levels"]
