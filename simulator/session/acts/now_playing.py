"""Sentences of the desk on its own state, by rule from the session's numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simulator.common.listening import STATE_WORDS
from simulator.common.text import level, signed
from simulator.common.units import TIE_LU, format_time
from simulator.session.levels import limiter_lu
from simulator.session.state import Session

TAKEN_LU = 0.05
"""What a limiter takes is said from here on."""


def state_words(session: Session) -> str:
    """The level mode, and this track's gain in it."""
    words = STATE_WORDS[session.state]
    if session.converter:
        words += " · clipping DAC"
    if session.state == "delivered":
        return words
    return f"{words} · {signed(gain_db(session))} dB"


def gain_db(session: Session) -> float:
    """All the gain between the file and the monitor trim: the player's, and what matching takes off."""
    played = session.here.played.get(session.profile)
    if session.state == "delivered" or played is None:
        return 0.0
    turned = session.turned_down_db.get(session.track, 0.0) if session.state == "matched" else 0.0
    return played.gain_db - turned


def what_plays(session: Session) -> str:
    """Track, state, place, and the passage against the other version."""
    name = f"{session.track + 1} {session.here.title}"
    parts = [name, state_words(session), f"from {format_time(session.place_s)}", difference(session)]
    return " · ".join(part for part in parts if part) + "."


def difference(session: Session) -> str:
    """The passage against the same moments of the other version, as both sound in this state."""
    other, amount = session.against, session.difference_lu()
    if other is None or amount is None:
        return ""
    name = session.tracks[other].version
    if abs(amount) <= TIE_LU:
        return f"same level here as “{name}”"
    return f"{level(abs(amount))} LU {'louder' if amount > 0.0 else 'quieter'} here than “{name}”"


def limiter_words(session: Session) -> str:
    """What the limiter takes here, where one acts."""
    taken = limiter_lu(session.tracks, session.passage, session.profile)
    if taken is None or taken < TAKEN_LU or session.state == "delivered":
        return ""
    return f"Limiting costs this passage {level(taken)} LU."


def note_place(data: Mapping[str, Any]) -> str:
    """Where a note was said, by its act's data: a track and a time, or a round of a blind trial; empty where
    neither is known."""
    round_number, at = data.get("trial_round"), data.get("place_s")
    if isinstance(round_number, int):
        letter = data.get("letter")
        under = f", while {letter} played" if isinstance(letter, str) else ""
        return f"round {round_number} of a blind trial{under}"
    if not isinstance(at, int | float):
        return ""
    title, number = data.get("title"), data.get("track")
    name = title if isinstance(title, str) else f"track {number}"
    return f"{name}, at {format_time(float(at))}"
