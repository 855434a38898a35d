"""State of a session while a blind trial is offered, made ready, or under way.

`Wanted` is what was asked for: it is offered first, and made ready after the yes. `Run` is the trial itself
with where each version lies. Which version sounds under a letter is in it, so nothing of it but `trial.show`
may reach a screen. Spans are seconds in each version's own time; levels in LUFS and LU before the trim.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from simulator.blind_test.trial import Letter, Trial, TrialKind
from simulator.session.events import Event
from simulator.session.levels import Source, Span

HEARD_SECONDS = 1.0
"""How long a letter must have sounded before it counts as heard; the project's own choice."""
TICK_AT_MOST_S = 0.5
"""What one tick can add: ticks come ten times a second, and a jump of the place is no listening."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A trial as it was asked for: `tracks` by their places in the list, `seed` drawn with the yes."""

    kind: TrialKind
    rounds: int
    tracks: tuple[int, ...]
    passage: Span
    reason: str
    seed: int = 0
    at_worst: bool = False


@dataclass(frozen=True)
class Run:
    """`spans` and `sources` in the order of the plan's versions. `ready` is False while the lanes are being
    made. `letter` is what sounds
    (None before the first of a round), `listened_s` for how long;
    `offered` is an answer that waits for its confirmation.
    `later` are events that wait for the end, since they would change what sounds."""

    wanted: Wanted
    trial: Trial
    spans: tuple[Span, ...]
    sources: tuple[Source, ...]
    turned_down_db: Mapping[int, float]
    ready: bool = False
    started: bool = False
    letter: Letter | None = None
    listened_s: float = 0.0
    offered: Letter | None = None
    later: tuple[Event, ...] = ()
