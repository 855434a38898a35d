"""Findings of the delivery check on the page: a verdict for each master, and what needs a word."""

from __future__ import annotations

from typing import Any

from simulator.common.units import format_time
from simulator.delivery.finding import PRACTICE, Finding
from simulator.page.values import PageContent
from simulator.text.findings import PLACES_IN_TEXT, brief, headline, ordered, verdict

PLACES_SHOWN = 10


def check_rows(content: PageContent) -> list[dict[str, Any]]:
    """One row a checked master, in the list's order; empty where nothing was checked."""
    return [
        {
            "number": one.number,
            "title": one.track.title,
            "verdict": verdict(found),
            "findings": [_row(each) for each in ordered(found) if each.level != "fine"],
            "fine": brief(each for each in found if each.level == "fine" and each.check != "player"),
        }
        for one in content.tracks
        if (found := content.findings.get(one.number))
    ]


def _row(found: Finding) -> dict[str, Any]:
    return {
        "level": found.level,
        "headline": headline(found),
        "places": ""
        if found.check in PLACES_IN_TEXT
        else ", ".join(map(format_time, found.at_s[:PLACES_SHOWN])),
        "words": [words for words in (found.text, found.advice) if words],
        "source": found.source if found.source == PRACTICE else f"Source: {found.source}",
    }
