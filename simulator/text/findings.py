"""Findings for people: what to fix first, then what deserves a look, then the rest in brief."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from simulator.common.numbers import NONE, level
from simulator.delivery.finding import LEVELS, Finding, Level, worst
from simulator.text.json_form import SCHEMA

WHOLE = {
    "events": "event",
    "runs": "run",
    "clicks": "click",
    "dropouts": "dropout",
    "bits": "bit",
    "Hz": "Hz",
}
"""Units of what is counted, and what one of them is called."""
PLACES_IN_A_LIST = ("album_order",)
PLACES_IN_TEXT = ("overs", "true_peak_after", "clipped_runs")
"""Checks whose sentences name their places already."""
VERDICT: dict[Level, str] = {
    "fix": "There is something to fix.",
    "look": "Nothing must be fixed; some things deserve a look.",
    "fine": "Everything that was checked is fine.",
}


def ordered(findings: Iterable[Finding]) -> list[Finding]:
    """By seriousness, else as given."""
    return sorted(findings, key=lambda found: LEVELS.index(found.level))


def value_words(found: Finding) -> str:
    """`−0.80 dBTP`; a dash where nothing is measured."""
    if found.value is None:
        return NONE
    return _number(found, found.value)


def headline(found: Finding) -> str:
    """One line: what, how much, against what."""
    if found.value is None and found.against is None:
        return found.name
    against = "" if found.against is None else f" ({_held(found)} {_number(found, found.against)})"
    return f"{found.name}: {value_words(found)}{against}"


def _held(found: Finding) -> str:
    """A number that misses its limit, and is written as the limit is, is said to be just over or under it."""
    value, limit = found.value, found.against
    if found.level == "fine" or value is None or limit is None or value == limit:
        return "against"
    if _number(found, value) != _number(found, limit):
        return "against"
    return "just over" if value > limit else "just under"


def shown_whole(found: Finding) -> bool:
    """What is fine is only named, but for players, and for encoders that hide a part of the peaks."""
    hides = found.check == "true_peak_after" and bool(found.text)
    return found.level != "fine" or found.check == "player" or hides


def brief(findings: Iterable[Finding]) -> str:
    """These in one paragraph, by name and value; by their words where there is no value."""
    parts = [
        f"{found.name} {value_words(found)}" if found.value is not None else _worded(found)
        for found in findings
        if found.value is not None or found.text
    ]
    return "; ".join(parts) + "." if parts else ""


def _worded(found: Finding) -> str:
    return f"{found.name}: {found.text[0].lower()}{found.text[1:].rstrip('.')}"


def verdict(findings: Sequence[Finding]) -> str:
    """One sentence for one master."""
    return VERDICT[worst(list(findings))]


def master_object(path: str, findings: Sequence[Finding], incomplete: str = "") -> dict[str, Any]:
    """One master of `check --json`: unrounded, in the order of the checks. `incomplete` says what could not
    be worked out, where not all could."""
    return {
        "schema": SCHEMA,
        "path": path,
        **({"incomplete": incomplete} if incomplete else {}),
        "level": worst(list(findings)),
        "findings": [
            {
                "check": found.check,
                "name": found.name,
                "level": found.level,
                "value": found.value,
                "unit": found.unit,
                "against": found.against,
                "at_s": list(found.at_s),
                "text": found.text,
                "advice": found.advice,
                "source": found.source,
            }
            for found in findings
        ],
    }


def _number(found: Finding, value: float) -> str:
    unit = found.unit
    if unit in WHOLE or found.check in PLACES_IN_A_LIST:
        text = f"{value:.0f}"
        return f"{text} {WHOLE.get(unit, unit) if text == '1' else unit}".rstrip()
    return f"{level(value, 2 if unit != '% of full scale' else 3)} {unit}".rstrip()
