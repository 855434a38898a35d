"""The session's values at this moment, as the toolbar shows them."""

from __future__ import annotations

from dataclasses import dataclass

from simulator.session.acts.words import gain_db
from simulator.session.effects import Listen
from simulator.session.levels import limiter_lu
from simulator.session.sound import State
from simulator.session.state import Motion, Session


@dataclass(frozen=True, slots=True)
class Now:
    """`gain_db` is all the gain between the file and the trim; `limiter_lu` what the player's limiter takes
    off this passage (None: none acts); `difference_lu` this passage above that of `other`, as heard."""

    number: int
    title: str
    motion: Motion
    place_s: float
    length_s: float
    profile: str
    state: State
    gain_db: float
    limiter_lu: float | None
    other: str
    difference_lu: float | None
    trim_db: float
    dim: bool
    mute: bool
    listen: Listen
    dropouts: int


def now(session: Session) -> Now:
    """The session as the toolbar shows it."""
    other, here = session.other, session.here
    taken = (
        None if session.state == "delivered" else limiter_lu(session.tracks, session.passage, session.profile)
    )
    return Now(
        session.track + 1,
        here.title,
        session.motion,
        session.place_s,
        here.duration_s,
        session.profile,
        session.state,
        gain_db(session),
        taken,
        "" if other is None else session.tracks[other].version,
        session.difference_lu(),
        session.trim_db,
        session.dim,
        session.mute,
        session.listen,
        session.dropouts,
    )
