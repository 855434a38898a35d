"""Command of the listening prompt: one entry holds all about it, its act included.

The modules of acts each export the entries of what they do; `session.commands` puts them into the one table,
and dispatch, help, completion, the keys and what a blind trial refuses are read from there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from simulator.common.text import typed_minus
from simulator.session.events import Effect
from simulator.session.state import Run, Session

Outcome = tuple[Session, tuple[Effect, ...]]
REFUSED = (
    "Not during a trial: it could reveal the version or change what you hear. Allowed: a, b, x, answers, "
    "note, pause, dim and mute. trial stop ends it without a result."
)
Kind = Literal[
    "command", "track", "profile", "place", "mark", "path", "device", "codec", "seconds", "text", "db"
]
"""What an argument may be, where the session or the disk knows the words; for fixed words there is Choice."""
Asks = Literal["rise", "steps"]
"""rise: asked about where it is more than 12 LU louder than what was heard last. steps: where a passage of
the montage is more than 3 LU above the one before it."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A fixed word that an argument may be, and what it means."""

    text: str
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A line as it was typed. `seed` is drawn with every line, for one that begins a trial; `confirmed`: the
    question that it raised was answered with yes."""

    text: str
    at: str = ""
    confirmed: bool = False
    seed: int = 0

    @property
    def word(self) -> str:
        """The word that names the command."""
        return self.text.split()[0]

    @property
    def words(self) -> list[str]:
        """The words after the one that names the command."""
        return self.text.split()[1:]


ActFunction = Callable[[Session, Line], Outcome]
"""Raises UsageError for what cannot be done."""
TrialAct = Callable[[Session, Run, Line], Outcome]


@dataclass(frozen=True, slots=True)
class Command:
    """One command of the prompt.

    `arguments` is shown in the help (`listed` in the list of all commands, where that is shorter); `kinds`
    are, argument by argument, the words that may stand there. `short` are other words for it, and so are
    `old`, which no screen lists; `keys` are those that
    act on an empty line, each with the line that it stands for.

    In a blind trial `in_trial` False refuses it, True carries it out as ever, and a function does instead
    what may be done there (the session's `track` is a secret then: it must not reach a screen or the
    record); `trial_line` is what completion offers then, where that is not its name.

    `record`: "line" keeps the line and its circumstances; "none" keeps nothing; "own": the act keeps itself,
    and does not go through the loudness guard since it changes nothing that sounds. `asks` is what the
    guard asks about first; `switches`: it may name another version of the song.
    """

    name: str
    act: ActFunction
    help: str
    example: str
    short: tuple[str, ...] = ()
    old: tuple[str, ...] = ()
    arguments: str = ""
    listed: str = ""
    kinds: tuple[tuple[Kind | Choice, ...], ...] = ()
    keys: tuple[tuple[str, str], ...] = ()
    in_trial: bool | TrialAct = False
    trial_line: str = ""
    record: Literal["line", "none", "own"] = "line"
    asks: tuple[Asks, ...] = ()
    switches: bool = False


def typed_number(text: str, *units: str) -> float | None:
    """A finite number, with or without one of these units (in any case); None for another text."""
    text = typed_minus(text).casefold()
    for unit in units:
        text = text.removesuffix(unit)
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def on_words(act: Callable[[Session, list[str]], Outcome]) -> ActFunction:
    """An act that needs nothing of the line but its arguments."""
    return lambda session, line: act(session, line.words)


def on_dated_words(act: Callable[[Session, list[str], str], Outcome]) -> ActFunction:
    """An act that needs the arguments and the time stamp."""
    return lambda session, line: act(session, line.words, line.at)
