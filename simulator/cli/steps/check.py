"""How `check` shows its findings: what was decided, then each master, the serious things first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from simulator.cli.steps.predict import LONGEST_TITLE, paragraph
from simulator.common.units import format_time
from simulator.delivery.finding import db_words
from simulator.text.findings import PLACES_IN_TEXT, brief, headline, ordered, shown_whole, verdict
from simulator.text.tables import shortened

if TYPE_CHECKING:
    from rich.console import Console

    from simulator.delivery.finding import Decided, Finding
    from simulator.engine.check import Checked
    from simulator.normalizer.profile import Profile

INDENT = " " * 6


def show_decided(out: Console, decided: Decided, profiles: Sequence[Profile]) -> None:
    """What the masters are held against."""
    numbers: dict[str, list[str]] = {}
    if decided.target_lufs is not None:
        words = f"{db_words(decided.target_lufs)} LUFS"
        numbers.setdefault(decided.target_said or decided.said, []).append(words)
    if decided.ceiling_dbtp is not None:
        words = f"at most {db_words(decided.ceiling_dbtp)} dBTP"
        numbers.setdefault(decided.ceiling_said or decided.said, []).append(words)
    for said, those in numbers.items():
        own = f", for {decided.destination}" if decided.destination and said == decided.said else ""
        paragraph(out, f"Decided {said}: {', '.join(those)}{own}.")
    if not numbers:
        paragraph(out, "No loudness and no ceiling was decided: --decision, --target, --ceiling name them.")
    if not profiles:
        paragraph(out, "Conversions, codecs and players: --for names the profiles to check them for.")
    out.print()


def show_master(out: Console, one: Checked) -> None:
    """One master: fix, look, players, and the fine ones in brief."""
    out.print(f"■ {shortened(one.track.title, LONGEST_TITLE)}", style="bold")
    paragraph(out, verdict(one.findings))
    for found in ordered(one.findings):
        if shown_whole(found):
            _show(out, found)
    rest = brief(found for found in one.findings if not shown_whole(found))
    if rest:
        paragraph(out, rest, bullet="fine  ")
    out.print()


def _show(out: Console, found: Finding) -> None:
    paragraph(out, headline(found), bullet=f"{found.level:<4}  ")
    text = found.text
    if found.at_s and found.check not in PLACES_IN_TEXT:
        places = ", ".join(format_time(at) for at in found.at_s)
        text = f"{text} At {places}.".strip()
    for words in (text, found.advice):
        if words:
            paragraph(out, words, bullet=INDENT)
    if found.level != "fine":
        paragraph(out, f"Source: {found.source}.", bullet=INDENT)
