"""What stands in the toolbar at this moment? The session's state and the deck's word, put into one value."""

from __future__ import annotations

from simulator.hearing.levels import Span, limiter_lu
from simulator.hearing.now import now as now_of
from simulator.hearing.state import Session
from simulator.measure.live import Reading
from simulator.report.toolbar import Bar
from simulator.shell.deck.program import Deck, Now

LIMITER_SECONDS = 0.4
"""What the limiter takes is told over the momentary window."""


def bar_of(session: Session, deck: Deck, now: Now, reading: Reading, pending: int) -> Bar:
    """The toolbar's values. `reading` is of what leaves the program; `pending` counts what is being worked
    out in the background."""
    here = now_of(session)
    return Bar(
        number=here.number,
        title=here.title,
        motion=here.motion,
        place_s=min(here.place_s, here.length_s),
        length_s=here.length_s,
        profile=here.profile,
        state=here.state,
        gain_db=here.gain_db,
        trim_db=here.trim_db,
        dim=here.dim,
        mute=here.mute,
        listen=here.listen,
        other=here.other,
        difference_lu=here.difference_lu,
        momentary_lufs=reading.momentary_lufs,
        short_term_lufs=reading.short_term_lufs,
        true_peak_dbtp=reading.true_peak_dbtp,
        limiter_lu=_limiter_lu(session, here.place_s),
        dropouts=now.dropouts,
        notice=_notice(session, deck, now, pending),
    )


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
        return f"working out {session.wanted.removeprefix('+')}…"
    if deck.kind == "silent":
        return "silent: no device"
    if deck.kind == "file":
        return "into a file"
    return "working…" if pending else ""
