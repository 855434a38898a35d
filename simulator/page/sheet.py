"""Delivery sheet as one HTML file, for a screen and for a sheet of A4.

It carries its own data as JSON in a block that no browser runs, so that `check --against` reads it again.
What is the same for all masters is stated once, above the table.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import msgspec
from markupsafe import Markup

from simulator.common.text import capital, level
from simulator.common.units import format_time
from simulator.delivery.sheet import BLOCK_ID, Sheet, SheetDecision, SheetMaster
from simulator.delivery.step_findings import placed
from simulator.page.html import STYLE, environment_of, version_colours
from simulator.text.tables import layout_words

MOST_STEPS = 3
"""Conversions and codecs with a column of their own; beyond them one column has the highest peak."""
_FLOATS = {"FLOAT": "32-bit float", "DOUBLE": "64-bit float"}
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def sheet_html(sheet: Sheet, templates: Mapping[str, str], again: str) -> str:
    """The whole file. `templates` has the texts of the page's templates by name; `again` is the command that
    shows what has changed since."""
    shared = {
        "artist": _once(sheet, lambda master: master.artist),
        "format": _once(sheet, format_words),
        "decision": _once(sheet, decision_words),
    }
    steps = list(dict.fromkeys(step.step for master in sheet.masters for step in master.steps))
    gaps = any(master.gap_to_next_s is not None for master in sheet.masters)
    return (
        environment_of(templates)
        .get_template("sheet.html")
        .render(
            title=sheet.title or "Delivery sheet",
            sheet=sheet,
            again=again,
            policy=POLICY,
            css=Markup(version_colours() + templates[STYLE]),
            block_id=BLOCK_ID,
            data=msgspec.to_builtins(sheet),
            shared=shared,
            facts=_facts(sheet, shared),
            headings=_headings(steps, gaps),
            rows=[_row(master, shared, steps, gaps) for master in sheet.masters],
        )
    )


def format_words(master: SheetMaster) -> str:
    """`WAV, 24 bit, 44.1 kHz, stereo`."""
    depth = f"{master.bits} bit" if master.bits else _FLOATS.get(master.subtype, "")
    if not depth and master.subtype not in (master.format, "OPUS"):
        depth = master.subtype.replace("_", " ").title()
    words = [master.format, depth, f"{master.sample_rate / 1000:g} kHz", layout_words(master.channels)]
    return ", ".join(filter(None, words))


def decision_words(sheet_master: SheetMaster) -> str:
    """`Streaming: −14.0 LUFS, peaks up to −1.0 dBTP (Anna, on 2026-02-03).`"""
    decision = sheet_master.decision or SheetDecision()
    levels = [f"{level(decision.target_lufs)} LUFS"] if decision.target_lufs is not None else []
    if decision.ceiling_dbtp is not None:
        levels.append(f"peaks up to {level(decision.ceiling_dbtp)} dBTP")
    if not levels:
        return "no target or ceiling."
    by = ", ".join(filter(None, (decision.who, decision.decided)))
    where = f"{decision.destination}: " if decision.destination else ""
    why = f" {capital(decision.why).rstrip('.')}." if decision.why else ""
    return f"{where}{', '.join(levels)}{f' ({by})' if by else ''}.{why}"


def _once(sheet: Sheet, words: Callable[[SheetMaster], str]) -> str:
    """What holds for all masters; empty where they differ."""
    found = {words(master) for master in sheet.masters}
    return found.pop() if len(found) == 1 else ""


def _facts(sheet: Sheet, shared: Mapping[str, str]) -> list[tuple[str, str]]:
    count = len(sheet.masters)
    seconds = sum(master.duration_s for master in sheet.masters)
    fix = sum(master.level == "fix" for master in sheet.masters)
    facts = [
        ("Artist", shared["artist"]),
        ("Masters", f"{count}, {format_time(seconds)} in all"),
        ("Format", shared["format"]),
        ("Decided", shared["decision"]),
        ("Check", f"not ready: {fix} of {count} to fix" if fix else "ready: nothing to fix"),
        ("Written", sheet.written_at.replace("T", " ")[:16]),
    ]
    return [(name, text) for name, text in facts if text]


def _headings(steps: list[str], gaps: bool) -> list[tuple[str, str]]:
    """Of the columns of figures: a name and a unit."""
    after = [(capital(placed(step)), "dBTP") for step in steps]
    if len(steps) > MOST_STEPS:
        after = [(f"Highest after {len(steps)} steps", "dBTP")]
    return [
        ("Length", ""), ("Loudness", "LUFS"), ("Range", "LU"), ("True peak", "dBTP"), *after,
        ("Silence at start", "s"), ("at end", "s"), *([("to next", "s")] if gaps else []),
    ]  # fmt: skip


def _row(
    sheet_master: SheetMaster, shared: Mapping[str, str], steps: list[str], gaps: bool
) -> dict[str, Any]:
    peaks = {step.step: step.true_peak_dbtp for step in sheet_master.steps}
    after = [peaks.get(step) for step in steps]
    if len(steps) > MOST_STEPS:
        after = [max((peak for peak in after if peak is not None), default=None)]
    apart = [] if shared["format"] else [format_words(sheet_master)]
    apart += [] if shared["decision"] else [decision_words(sheet_master)]
    return {
        "master": sheet_master,
        "cells": [
            format_time(sheet_master.duration_s), level(sheet_master.integrated_lufs),
            level(sheet_master.loudness_range_lu),
            *(level(peak, 2) for peak in (sheet_master.true_peak_dbtp, *after)),
            level(sheet_master.silence_at_start_s, 2), level(sheet_master.silence_at_end_s, 2),
            *([level(sheet_master.gap_to_next_s, 2)] if gaps else []),
        ],
        "apart": apart,
    }  # fmt: skip
