"""What the sentences of a comparison are made with: a sentence and its rule, the versions' names, ties, and
differences of printed figures."""

from __future__ import annotations

from dataclasses import dataclass

from simulator.common.units import TIE_LU

TIE_SHARE = 0.001
SECONDS = "3 s"


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence, and the rule that made it."""

    rule: str
    text: str


@dataclass(frozen=True, slots=True)
class Names:
    """What the two are called in a sentence ("crushed", "open")."""

    loud: str
    open: str


def tied(gap: float | None) -> bool:
    """True where the difference in LU, or its absence, is none to speak of."""
    return gap is None or abs(gap) <= TIE_LU


def ordered(names: Names, gap: float) -> tuple[str, str, float]:
    """The name of the one with more, of the other, and by how much."""
    return (names.loud, names.open, gap) if gap >= 0.0 else (names.open, names.loud, -gap)
