"""The delivery sheet of `check`: made from checked masters, written in its three forms, read back, and what
has changed since.
"""

from __future__ import annotations

import os
import shlex
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from simulator.common.errors import UsageError, WriteError
from simulator.common.text import as_utf8, counted, level, printed_gap, signed, typed_command, visible
from simulator.common.units import format_time
from simulator.delivery.finding import worst
from simulator.delivery.sheet import (
    SCHEMA,
    Sheet,
    SheetChange,
    SheetDecision,
    SheetMaster,
    Since,
    StepPeak,
    csv_rows,
    read_sheet_text,
)
from simulator.engine.check import Checked
from simulator.playlists.playlist import BARE_FILES, Playlist, Track
from simulator.storage.small_files import LARGEST_ANSWER_BYTES, read_named
from simulator.storage.writing import refuse_existing
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from simulator.cli.output import Readout


def sheet_masters(checked: Sequence[Checked], folder: Path) -> tuple[SheetMaster, ...]:
    """The masters that were read, as a sheet in that folder lists them. They were checked with checksums."""
    return tuple(_master(number, one, folder) for number, one in enumerate(checked, 1) if one.findings)


def _master(number: int, checked: Checked, folder: Path) -> SheetMaster:
    assert checked.measurement is not None
    assert checked.scanned is not None
    measured, scanned, track, decided = checked.measurement, checked.scanned, checked.track, checked.decided
    decision = SheetDecision(
        destination=as_utf8(decided.destination),
        target_lufs=decided.target_lufs,
        ceiling_dbtp=decided.ceiling_dbtp,
        who=as_utf8(decided.who),
        why=as_utf8(decided.why),
        decided=", ".join(dict.fromkeys(filter(None, decided.sources))),
    )
    return SheetMaster(
        path=named_in(folder, track.path),
        sample_rate=measured.sample_rate,
        channels=measured.channels,
        frames=measured.frames,
        duration_s=measured.duration_s,
        file_sha256=scanned.file_sha256,
        samples_sha256=scanned.samples_sha256,
        number=number,
        integrated_lufs=measured.integrated_lufs,
        loudness_range_lu=measured.loudness_range_lu,
        true_peak_dbtp=measured.true_peak_dbtp,
        title=as_utf8(track.title),
        artist=as_utf8(track.artist),
        album=as_utf8(track.album or "") if checked.album is not None else "",
        format=scanned.info.container,
        subtype=scanned.info.subtype,
        bits=scanned.info.bits,
        silence_at_start_s=scanned.scan.head_s,
        silence_at_end_s=scanned.scan.tail_s,
        gap_to_next_s=checked.gap_s,
        level=worst(list(checked.findings)),
        steps=tuple(StepPeak(step.name, step.found.true_peak_dbtp) for step in checked.steps),
        decision=None if decided.target_lufs is None and decided.ceiling_dbtp is None else decision,
    )


def named_in(folder: Path, path: str) -> str:
    """The path from a folder, with slashes; the bare name of a file elsewhere, so that a sheet shows no more
    of a disk than what goes with it."""
    inside = os.path.relpath(path, folder.absolute())
    if os.path.isabs(inside) or inside.split(os.sep)[0] == os.pardir:
        inside = os.path.basename(path)
    return as_utf8(inside.replace(os.sep, "/"))


def sheet_of(checked: Sequence[Checked], playlist: Playlist, folder: Path, at: str, program: str) -> Sheet:
    """The sheet of masters that were all read; `at` is ISO 8601."""
    title = "" if playlist.title == BARE_FILES else playlist.title
    return Sheet(
        masters=sheet_masters(checked, folder),
        title=as_utf8(title),
        client=as_utf8(playlist.client),
        written_at=at,
        program=program,
    )


def read_sheet(path: str) -> Sheet:
    """The sheet in a file, HTML, JSON or CSV. Raises UsageError."""
    try:
        data = read_named(path, LARGEST_ANSWER_BYTES, "the delivery sheet", UsageError)
        return read_sheet_text(data.decode("utf-8-sig"), path)
    except UnicodeDecodeError as problem:
        raise UsageError(
            f"{path}: this is not a delivery sheet: byte {problem.start + 1} is not UTF-8.",
            "Give the HTML, JSON or CSV file that check --sheet wrote.",
        ) from None


def masters_beside(path: str, sheet: Sheet) -> tuple[Track, ...]:
    """The files of a sheet that are where it names them, seen from its folder."""
    folder = Path(path).absolute().parent
    places = [(master, os.path.normpath(folder / master.path)) for master in sheet.masters]
    return tuple(
        Track(place, one.title, one.artist, album=one.album or None)
        for one, place in places
        if os.path.lexists(place)
    )


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
    from simulator.cli.output import csv_text, json_text, save_text
    from simulator.page.file.build import templates
    from simulator.page.sheet import sheet_html

    refuse_existing([path], force)
    form = path.suffix.lower()
    if form == ".csv":
        text = csv_text(csv_rows(sheet))
    elif form == ".json":
        text = json_text(msgspec.to_builtins(sheet)) + "\n"
    else:
        text = sheet_html(sheet, templates(), f"fairhearing check --against {shlex.quote(path.name)}")
    save_text(path, text, force)


def show_changes(out: Readout, changes: Sequence[SheetChange], sheet: Sheet, path: str, named: bool) -> None:
    """The answer, then a line for each master of the sheet in `path`; `named`: its masters were given."""
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
    if not named and any(one.since == "missing" for one in shown):
        words = ("fairhearing", "check", "FOLDER", "--against", path)
        out.line(typed_command("If the masters are in another folder:", words))


def change_object(change: SheetChange) -> dict[str, Any]:
    """One master of `check --against --json`."""
    was, now = change.was, change.now
    file, titled = now or was, was or now
    assert file is not None
    assert titled is not None
    return {
        "schema": SCHEMA,
        "path": file.path,
        "title": titled.title,
        "since": change.since,
        "level": change.level,
        "moved": change.moved,
        "renamed": change.renamed,
        "holds": change.holds,
        "was": msgspec.to_builtins(was),
        "now": msgspec.to_builtins(now),
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
        f"samples changed in {states['samples']} of {counted(count, 'master')}" if states["samples"] else "",
        f"{states['missing']} of {counted(count, 'master')} missing" if states["missing"] else "",
        f"{states['new']} not on the sheet" if states["new"] else "",
        f"{moved} in another place" if (moved := sum(change.moved for change in changes)) else "",
    ]
    if any(parts):
        return f"Changed since {since}: {', '.join(filter(None, parts))}."
    files = sum(change.level == "look" for change in changes)
    also = f"; {files} {'has' if files == 1 else 'have'} another name, container or tags" if files else ""
    whose = "the master has" if count == 1 else f"all {count} masters have"
    return f"{'Samples unchanged' if files else 'Unchanged'}: {whose} the same samples as on {since}{also}."


def _differences(change: SheetChange) -> list[str]:
    """What changed, by the figures that are printed."""
    from simulator.page.sheet import format_words

    was, now = change.was, change.now
    if was is None or now is None:
        return []
    words = [f"now in place {now.number}"] if change.moved else []
    if change.renamed:
        words.append(f"now named {visible(now.path)}")
    before, after = format_words(was), format_words(now)
    if before != after:
        words.append(f"now {after.removesuffix(before.partition(', ')[2]).rstrip(', ')}")
    elif change.since == "tags":
        words.append("other tags or header")
    if change.since != "samples":
        return words
    if change.holds:
        words.append(f"now holds {change.holds}")
    longer = now.duration_s - was.duration_s
    if format_time(now.duration_s) != format_time(was.duration_s):
        words.append(f"{abs(longer):.1f} s {'longer' if longer > 0.0 else 'shorter'}")
    return words + _levels(was, now)


def _levels(was: SheetMaster, now: SheetMaster) -> list[str]:
    words = []
    for key, unit, name in (("integrated_lufs", "LU", ""), ("loudness_range_lu", "LU", "range "),
                            ("true_peak_dbtp", "dB", "true peak ")):  # fmt: skip
        before, after = getattr(was, key), getattr(now, key)
        gap = printed_gap(after, before)
        if gap is None and before != after:
            words.append(f"{name or 'loudness '}{level(before)} to {level(after)}")
        elif gap:
            words.append(f"{name}{signed(gap)} {unit}")
    return words or ["same levels"]
