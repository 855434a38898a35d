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
from simulator.text.short_names import short_names
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
    read = [master for master in checked if master.findings]
    unread = len(checked) - len(read)
    missed = f"Incomplete: {unread} of {len(checked)} masters could not be read. " if unread else ""
    if not missed and any(master.problem is not None for master in read):
        missed = "Incomplete: not everything could be checked. "
    several = len(read) > 1
    names = short_names([master.track.title for master in read], LONGEST_TITLE)
    if several:
        _answer_for_several(out, read, missed)
    else:
        _answer_for_one(out, read[0], missed)
    if out.quiet:
        return
    if several:
        _show_table(out, read, names)
        for album in dict.fromkeys(master.album for master in read if master.album is not None):
            out.paragraph(album_words(album))
    alike = {} if out.detail else _alike(read, names)
    for name, master in zip(names, read, strict=True):
        if out.detail:
            own = [one for one in ordered(master.findings) if one.level != "fine" or _worth_a_line(one)]
        else:
            own = [one for one in ordered(master.remaining) if _key(one) not in alike]
        optional = several and master.album is None and _optional(master) and not out.detail
        if several and (own or optional):
            out.heading(shortened(name, out.width))
        elif own:
            out.line()
        if optional:
            out.paragraph(causes(master.findings, master.move), bullet="look  ", style="look")
        for finding in own:
            _show(out, finding)
        fine = "" if several and not out.detail else fine_line(master.findings, out.detail)
        if fine:
            out.line()
            out.paragraph(f"Fine: {fine}", style=None if out.detail else "soft")
    for finding, titles in alike.values():
        out.heading(f"{len(titles)} masters: {', '.join(titles)}")
        _show(out, finding)
    out.line()
    held: dict[Decided, list[str]] = {}
    for name, master in zip(names, read, strict=True):
        held.setdefault(master.decided, []).append(name)
    named = any(master.track.decision for master in read)
    out.paragraph(decided_line(held, profiles, named=named), style="soft")
    if not out.detail:
        out.line("Every figure and its source: --detail", "soft")


def _answer_for_one(out: Readout, master: Checked, missed: str) -> None:
    assert master.measurement is not None
    lufs, peak = master.measurement.integrated_lufs, master.measurement.true_peak_dbtp
    figures = f"{level(lufs)} LUFS, {level(peak)} dBTP" if lufs is not None else ""
    name = shortened(visible(PurePath(master.track.path).name), LONGEST_TITLE)
    out.answer(missed + readiness(master.findings, name, figures))
    if master.move is None:
        return
    if why := causes(master.findings, master.move):
        out.paragraph(why)
    words = move_words(master.move)
    if _optional(master):
        words = f"Optional: t{words[1:]}".replace(": then ", ", then ", 1)
    out.paragraph(words, style="answer")


def _optional(master: Checked) -> bool:
    """True for a move that answers only what is worth a look."""
    move = master.move
    return (
        move is not None
        and move.passes
        and not any(finding.level == "fix" and finding.name in move.mends for finding in master.findings)
    )


def _answer_for_several(out: Readout, read: Sequence[Checked], missed: str) -> None:
    levels = [worst(list(master.findings)) for master in read]
    fix, look = levels.count("fix"), levels.count("look")
    if fix:
        answer = f"Not ready: {fix} of {len(read)} masters {'needs' if fix == 1 else 'need'} fixing."
        unmended = sum(any(one.level == "fix" for one in master.remaining) for master in read)
        if not unmended:
            answer += f" Plain gain is enough{' for all of them' if fix > 1 else ''}."
        elif any(master.move is not None and master.move.passes for master in read):
            answer += f" Plain gain is not enough{f' for {unmended}' if fix > 1 else ''}."
    else:
        answer = f"Ready: nothing to fix in {len(read)} masters"
        answer += f", something to check in {look}." if look else "."
    out.answer(missed + answer)
    for album in dict.fromkeys(master.album for master in read if master.album is not None):
        shared = [master.move for master in read if master.album == album and master.move is not None]
        if shared:
            out.paragraph(album_move_words(shared), style="answer")


def _show_table(out: Readout, read: Sequence[Checked], names: Sequence[str]) -> None:
    from rich.text import Text

    apart = len({master.decided for master in read}) > 1
    headings = ["#", "Master", *["for"] * apart, "verdict", "LUFS", "dBTP", "move"]
    table = grid(headings, [True, *[False] * (2 + apart), True, True, True])
    for number, (name, master) in enumerate(zip(names, read, strict=True), 1):
        verdict = worst(list(master.findings))
        assert master.measurement is not None
        table.add_row(
            str(number),
            name,
            *[shortened(master.decided.destination, LONGEST_DESTINATION)] * apart,
            Text({"fix": "fix", "look": "ready, check", "fine": "ready"}[verdict], style=verdict),
            level(master.measurement.integrated_lufs),
            level(master.measurement.true_peak_dbtp),
            move_cell(master.move),
        )
    out.table(table)


Key = tuple[str, str, str]


def _key(finding: Finding) -> Key:
    return headline(finding), finding.text, finding.advice


def _alike(read: Sequence[Checked], names: Sequence[str]) -> dict[Key, tuple[Finding, list[str]]]:
    """What several masters share word for word, with their names."""
    shared: dict[Key, tuple[Finding, list[str]]] = {}
    for name, master in zip(names, read, strict=True):
        for finding in master.remaining:
            if not finding.at_s:
                shared.setdefault(_key(finding), (finding, []))[1].append(name)
    return {key: value for key, value in shared.items() if len(value[1]) > 1}


def _worth_a_line(finding: Finding) -> bool:
    """True for what is worth its sentence even when fine: players, and encoders that hide some peaks."""
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
