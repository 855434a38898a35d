"""Finding: how serious, how much, against what, where, and what to do.

Levels: "fine" (as it should be, or only worth knowing), "look" (listen or look there before it goes out),
"fix" (what was decided or what the format can hold is missed). None of them says what a service accepts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from simulator.common.text import level

Level = Literal["fix", "look", "fine"]
LEVELS: tuple[Level, ...] = ("fix", "look", "fine")
"""The most serious first."""

TargetOf = Literal["loudest", "programme", "each"]
"""An album's target: that of its loudest track, of the album as one programme, or of each track."""

PRACTICE = "common practice, no source"
PROJECT = "this program's own definition; no standard gives one"


@dataclass(frozen=True, slots=True)
class Finding:
    """`check` is a stable key, `name` what people read. `value` in `unit` is held `against` a number in the
    same unit (None where there is none). `at_s` are places in seconds, the worst first. `advice` is empty
    where nothing is to be done."""

    check: str
    name: str
    level: Level
    value: float | None
    unit: str
    against: float | None = None
    at_s: tuple[float, ...] = ()
    text: str = ""
    advice: str = ""
    source: str = PRACTICE


def found_if(
    bad: bool,
    check: str,
    name: str,
    value: float | None,
    unit: str,
    against: float | None = None,
    at_s: tuple[float, ...] = (),
    text: str = "",
    advice: str = "",
    source: str = PRACTICE,
    level: Level = "look",
) -> Finding:
    """A finding of `level` where it is `bad`, else fine, without places, text and advice."""
    if not bad:
        return Finding(check, name, "fine", value, unit, against, source=source)
    return Finding(check, name, level, value, unit, against, at_s, text, advice, source)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Decided:
    """What was decided for the delivery, where something was: None leaves the check without a target.
    `said` is where it was decided, in words; `target_said` and `ceiling_said` where one number comes from
    somewhere else. `target_of` is what an album's target is held against; `who` decided it, and `why`."""

    target_lufs: float | None = None
    ceiling_dbtp: float | None = None
    destination: str = ""
    said: str = ""
    target_said: str = ""
    ceiling_said: str = ""
    target_of: TargetOf = "loudest"
    who: str = ""
    why: str = ""

    @property
    def sources(self) -> tuple[str, str]:
        """Where target and ceiling were decided; empty for a number that was not."""
        return (
            "" if self.target_lufs is None else self.target_said or self.said,
            "" if self.ceiling_dbtp is None else self.ceiling_said or self.said,
        )

    @property
    def target_source(self) -> str:
        """Where the target was decided, for a finding."""
        return _yours("target", self.target_said or self.said)

    @property
    def ceiling_source(self) -> str:
        """Where the ceiling was decided, for a finding."""
        return _yours("ceiling", self.ceiling_said or self.said)


def _yours(what: str, said: str) -> str:
    return f"{what}: yours, decided {said}" if said else f"{what}: yours"


@dataclass(frozen=True, slots=True)
class Move:
    """One plain gain on the output of a master (of all masters of an album), worked out and then carried out:
    `steps` are the true peaks in dBTP after each conversion and codec at that gain, each really converted or
    encoded again. `passes` says whether all limits hold then; `away_lu` is the loudness against the target
    afterwards (None without one)."""

    gain_db: float
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    steps: tuple[tuple[str, float | None], ...]
    passes: bool
    away_lu: float | None = None
    mends: frozenset[str] = frozenset()
    """The checks whose findings are answered by it."""


def db_words(value: float) -> str:
    """A level for a sentence: two decimals, a true minus, never "−0.00"."""
    return level(value, 2)


def worst(findings: Iterable[Finding]) -> Level:
    """The most serious level among them."""
    return min((finding.level for finding in findings), key=LEVELS.index, default="fine")
