"""Delivery sheet from checked masters, and from a file that `check --sheet` wrote."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from simulator.common.errors import UsageError
from simulator.common.text import as_utf8
from simulator.delivery.finding import worst
from simulator.delivery.sheet import Sheet, SheetDecision, SheetMaster, StepPeak, read_sheet_text
from simulator.engine.check import Checked
from simulator.playlists.playlist import BARE_FILES, Playlist, Track
from simulator.storage.small_files import LARGEST_ANSWER_BYTES, read_small


def sheet_masters(checked: Sequence[Checked], folder: Path) -> tuple[SheetMaster, ...]:
    """The masters that were read, as a sheet in that folder lists them. They were checked with checksums."""
    return tuple(_master(number, one, folder) for number, one in enumerate(checked, 1) if one.findings)


def _master(number: int, checked: Checked, folder: Path) -> SheetMaster:
    assert checked.measurement is not None
    assert checked.scanned is not None
    found, scanned, track, decided = checked.measurement, checked.scanned, checked.track, checked.decided
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
        sample_rate=found.sample_rate,
        channels=found.channels,
        frames=found.frames,
        duration_s=found.duration_s,
        file_sha256=scanned.file_sha256,
        samples_sha256=scanned.samples_sha256,
        number=number,
        integrated_lufs=found.integrated_lufs,
        loudness_range_lu=found.loudness_range_lu,
        true_peak_dbtp=found.true_peak_dbtp,
        title=as_utf8(track.title),
        artist=as_utf8(track.artist),
        album=as_utf8(track.album or "") if checked.album is not None else "",
        format=scanned.info.container,
        subtype=scanned.info.subtype,
        bits=None if scanned.info.lossy else scanned.info.bits,
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
        text = read_small(path, LARGEST_ANSWER_BYTES).decode("utf-8-sig")
    except OSError as problem:
        raise UsageError(
            f"{path}: cannot read the delivery sheet: {problem.strerror or problem}.", "Check the path."
        ) from None
    except UnicodeDecodeError as problem:
        raise UsageError(
            f"{path}: this is not a delivery sheet: byte {problem.start + 1} is not UTF-8.",
            "Give the HTML, JSON or CSV file that check --sheet wrote.",
        ) from None
    return read_sheet_text(text, path)


def masters_beside(path: str, sheet: Sheet) -> tuple[Track, ...]:
    """The files of a sheet that are where it names them, seen from its folder."""
    folder = Path(path).absolute().parent
    places = [(master, os.path.normpath(folder / master.path)) for master in sheet.masters]
    return tuple(
        Track(place, one.title, one.artist, album=one.album or None)
        for one, place in places
        if os.path.lexists(place)
    )
