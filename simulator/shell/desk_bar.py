"""What stands in the toolbar at this moment? The session's state and the deck's word, put into one value."""

from __future__ import annotations

from simulator.hearing.levels import Span, limiter_lu
from simulator.hearing.state import Session
from simulator.measure.live import Reading
from simulator.report.toolbar import Bar
from simulator.shell.deck.program import Deck, Now

LIMITER_SECONDS = 0.4
"""What the limiter takes is told over the momentary window."""


def bar_of(session: Session, deck: Deck, now: Now, reading: Reading, pending: int) -> Bar:
    """The toolbar's values. `reading` is of what leaves the program; `pending` counts what is being worked
    out in the background."""
    here, other = session.here, session.other
    place_s = min(session.place_s, here.duration_s)
    return Bar(
        number=session.track + 1,
        title=here.title,
        motion=session.motion,
        place_s=place_s,
        length_s=here.duration_s,
        profile=session.profile,
        state=session.state,
        gain_db=gain_db(session),
        trim_db=session.trim_db,
        dim=session.dim,
        mute=session.mute,
        listen=session.listen,
        other="" if other is None else session.tracks[other].version,
        difference_lu=None if other is None else session.difference_lu(),
        momentary_lufs=reading.momentary_lufs,
        short_term_lufs=reading.short_term_lufs,
        true_peak_dbtp=reading.true_peak_dbtp,
        limiter_lu=_limiter_lu(session, place_s),
        dropouts=now.dropouts,
        notice=_notice(session, deck, now, pending),
    )


def gain_db(session: Session) -> float:
    """All the gain between the file and the monitor's trim: the player's, and what matching takes off."""
    source = session.source(session.track)
    played = session.here.played.get(session.profile)
    return source.gain_db + (played.gain_db if source.lane is not None and played is not None else 0.0)


def _limiter_lu(session: Session, place_s: float) -> float | None:
    if session.state == "delivered":
        return None
    start = max(place_s - LIMITER_SECONDS, 0.0)
    span = Span(session.track, start, start + LIMITER_SECONDS)
    taken = limiter_lu(session.tracks, span, session.profile)
    return None if taken is None else max(taken, 0.0)


def _notice(session: Session, deck: Deck, now: Now, pending: int) -> str:
    """The one thing that the listener must know first, or nothing."""
    if session.trouble or not now.alive:
        return "no sound: device lost"
    if now.waiting:
        return "being made…"
    if session.wanted is not None:
        return f"working out {session.wanted}…"
    if deck.kind == "silent":
        return "silent: no device"
    if deck.kind == "file":
        return "into a file"
    return "working…" if pending else ""
