"""How `check` shows its answer: can it go out, the one move, then what remains."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from simulator.common.text import level, visible
from simulator.common.units import format_time
from simulator.delivery.finding import worst
from simulator.text.findings import (
    PLACES_IN_TEXT,
    album_move_words,
    album_words,
    causes,
    decided_line,
    fine_line,
    headline,
    move_cell,
    move_words,
    ordered,
    readiness,
)
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from simulator.cli.output import Readout
    from simulator.delivery.finding import Decided, Finding
    from simulator.engine.check import Checked
    from simulator.normalizer.profile import Profile

INDENT = " " * 6
MOST_LINES = 2
NARROW = 60
"""Characters below which a finding takes twice the lines."""
PLACES = 3
LONGEST_TITLE = 30
LONGEST_DESTINATION = 12


def show_check(out: Readout, checked: Sequence[Checked], profiles: Sequence[Profile]) -> None:
    """The whole screen, for one master or several."""
    read = [one for one in checked if one.findings]
    unread = len(checked) - len(read)
    missed = f"Incomplete: {unread} of {len(checked)} masters could not be read. " if unread else ""
    if not missed and any(one.problem is not None for one in read):
        missed = "Incomplete: not everything could be checked. "
    if len(read) == 1:
        (one,) = read
        out.answer(missed + _for_one(one))
        _show_move(out, one)
    else:
        _answer_for_several(out, read, missed)
    if out.quiet:
        return
    if len(read) > 1:
        _show_table(out, read)
        _show_albums(out, read)
    alike = _alike(read)
    for one in read:
        own = [found for found in ordered(one.remaining) if _key(found) not in alike]
        if out.detail:
            own = [found for found in ordered(one.findings) if found.level != "fine" or _said(found)]
        if len(read) > 1 and own:
            out.heading(shortened(one.track.title, out.width))
        elif own:
            out.line()
        if len(read) > 1 and one.album is None and _optional(one) and not out.detail:
            if not own:
                out.heading(shortened(one.track.title, out.width))
            out.paragraph(causes(one.findings, one.move), bullet="look  ", style="look")
        for found in own:
            _show(out, found)
        if len(read) == 1 or out.detail:
            fine = fine_line(one.findings, out.detail)
            if fine:
                out.line()
                out.paragraph(f"Fine: {fine}", bullet="", style=None if out.detail else "soft")
    for found, titles in alike.values() if not out.detail else ():
        out.heading(
            f"{len(titles)} masters: {', '.join(shortened(title, LONGEST_TITLE) for title in titles)}"
        )
        _show(out, found)
    out.line()
    held: dict[Decided, list[str]] = {}
    for one in read:
        held.setdefault(one.decided, []).append(shortened(one.track.title, LONGEST_TITLE))
    named = any(one.track.decision for one in read)
    out.paragraph(decided_line(held, profiles, named=named), style="soft")
    if not out.detail:
        out.line("Every figure and its source: --detail", "soft")


def _for_one(checked: Checked) -> str:
    assert checked.measurement is not None
    lufs, peak = checked.measurement.integrated_lufs, checked.measurement.true_peak_dbtp
    figures = f"{level(lufs)} LUFS, {level(peak)} dBTP" if lufs is not None else ""
    return readiness(
        checked.findings, shortened(visible(PurePath(checked.track.path).name), LONGEST_TITLE), figures
    )


def _show_move(out: Readout, checked: Checked) -> None:
    if checked.move is not None:
        out.paragraph(causes(checked.findings, checked.move)) if causes(
            checked.findings, checked.move
        ) else None
        words = move_words(checked.move)
        if _optional(checked):
            words = f"Optional: t{words[1:]}".replace(": then ", ", then ", 1)
        out.paragraph(words, style="answer")


def _optional(one: Checked) -> bool:
    """True for a move that answers only what is worth a look."""
    return (
        one.move is not None
        and one.move.passes
        and not any(found.level == "fix" and found.name in one.move.mends for found in one.findings)
    )


def _answer_for_several(out: Readout, read: Sequence[Checked], missed: str) -> None:
    fix = [one for one in read if worst(list(one.findings)) == "fix"]
    look = [one for one in read if worst(list(one.findings)) == "look"]
    moves = [one for one in read if one.move is not None and one.move.passes]
    if fix:
        need = "needs" if len(fix) == 1 else "need"
        answer = f"Not ready: {len(fix)} of {len(read)} masters {need} fixing."
        unmended = [one for one in fix if any(found.level == "fix" for found in one.remaining)]
        if not unmended:
            answer += f" Plain gain is enough{' for all of them' if len(fix) > 1 else ''}."
        elif moves:
            answer += f" Plain gain is not enough{f' for {len(unmended)}' if len(fix) > 1 else ''}."
    else:
        answer = f"Ready: nothing to fix in {len(read)} masters"
        answer += f", something to check in {len(look)}." if look else "."
    out.answer(missed + answer)
    for album in dict.fromkeys(one.album for one in read if one.album is not None):
        shared = [one.move for one in read if one.album == album and one.move is not None]
        if shared:
            out.paragraph(album_move_words(shared), style="answer")


def _show_table(out: Readout, read: Sequence[Checked]) -> None:
    from rich.text import Text

    apart = len({one.decided for one in read}) > 1
    headings = ["#", "Master", *["for"] * apart, "verdict", "LUFS", "dBTP", "move"]
    table = grid(headings, [True, *[False] * (2 + apart), True, True, True])
    for number, one in enumerate(read, 1):
        verdict = worst(list(one.findings))
        assert one.measurement is not None
        table.add_row(
            str(number),
            shortened(one.track.title, LONGEST_TITLE),
            *[shortened(one.decided.destination, LONGEST_DESTINATION)] * apart,
            Text({"fix": "fix", "look": "ready, check", "fine": "ready"}[verdict], style=verdict),
            level(one.measurement.integrated_lufs),
            level(one.measurement.true_peak_dbtp),
            move_cell(one.move),
        )
    out.table(table)


def _show_albums(out: Readout, read: Sequence[Checked]) -> None:
    for album in dict.fromkeys(one.album for one in read if one.album is not None):
        out.paragraph(album_words(album))


Key = tuple[str, str, str]


def _key(finding: Finding) -> Key:
    return headline(finding), finding.text, finding.advice


def _alike(read: Sequence[Checked]) -> dict[Key, tuple[Finding, list[str]]]:
    """What several masters share word for word, with their titles."""
    shared: dict[Key, tuple[Finding, list[str]]] = {}
    for one in read:
        for found in one.remaining:
            if not found.at_s:
                shared.setdefault(_key(found), (found, []))[1].append(one.track.title)
    return {key: value for key, value in shared.items() if len(value[1]) > 1}


def _said(finding: Finding) -> bool:
    """Fine, and yet worth its sentence in full: players, and encoders that hide a part of the peaks."""
    return finding.check == "player" or (finding.check == "true_peak_after" and bool(finding.text))


def _show(out: Readout, finding: Finding) -> None:
    """A headline, then at most two lines; with --detail everything, and the source."""
    out.paragraph(headline(finding), bullet=f"{finding.level:<4}  ", style=finding.level)
    text = finding.text
    if finding.at_s and finding.check not in PLACES_IN_TEXT:
        shown = finding.at_s if out.detail else finding.at_s[:PLACES]
        more = "" if len(shown) == len(finding.at_s) else f" and {len(finding.at_s) - len(shown)} more"
        text = f"{text} At {', '.join(map(format_time, shown))}{more}.".strip()
    if out.detail:
        for words in (text, finding.advice, f"Source: {finding.source}." if finding.level != "fine" else ""):
            if words:
                out.paragraph(words, bullet=INDENT)
        return
    width = min(out.width, 79) - len(INDENT)
    most = MOST_LINES if width >= NARROW else 2 * MOST_LINES
    lines = textwrap.wrap(f"{text} {finding.advice}".strip(), width, break_on_hyphens=False)
    if len(lines) > most and finding.advice:
        room = max(1, most - len(textwrap.wrap(finding.advice, width)))
        lines = [
            *textwrap.wrap(text, width, max_lines=room, placeholder=" …"),
            *textwrap.wrap(finding.advice, width),
        ]
    for line in lines[:most]:
        out.line(f"{INDENT}{line}")
