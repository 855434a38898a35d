"""Status bar of this moment: the session's state and the deck's, in one value.

Meter of what leaves the program, held for the eye: peaks stay for three seconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from simulator.blind_test.trial import show
from simulator.deck.program import Deck, Now
from simulator.metering.live import WANTED_SECONDS, Reading, read_live
from simulator.session.acts.words import gain_db
from simulator.session.blind.run import Run
from simulator.session.codec_variants import CONVERTER
from simulator.session.levels import Span, limiter_lu
from simulator.session.state import Session
from simulator.text.status_bar import Bar, TrialBar

HOLD_SECONDS = 3.0
EACH_SECONDS = 0.2
"""The meter looks five times a second: its windows of 400 ms still overlap."""


class DeskMeter:
    """Reads `recent(seconds)`, float32 (frames, 2) at `rate`, and holds the peak. `clock` is in seconds."""

    def __init__(
        self, recent: Callable[[float], NDArray[np.float32]], rate: int, clock: Callable[[], float]
    ) -> None:
        self._recent, self._rate, self._clock = recent, rate, clock
        self._peaks: deque[tuple[float, float]] = deque()
        self._looked_at: float | None = None
        self.reading = Reading()

    def look(self) -> Reading:
        """The reading now; worked out anew at most every EACH_SECONDS."""
        now = self._clock()
        if self._looked_at is not None and 0.0 <= now - self._looked_at < EACH_SECONDS - 0.01:
            return self.reading
        self._looked_at = now
        found = read_live(self._recent(WANTED_SECONDS), self._rate)
        if found.true_peak_dbtp is not None:
            self._peaks.append((now, found.true_peak_dbtp))
        while self._peaks and not 0.0 <= now - self._peaks[0][0] <= HOLD_SECONDS:
            self._peaks.popleft()
        highest = max((peak for _, peak in self._peaks), default=None)
        self.reading = Reading(found.momentary_lufs, found.short_term_lufs, highest)
        return self.reading


LIMITER_SECONDS = 0.4
"""What the limiter takes is told over the momentary window."""


def bar_of(session: Session, deck: Deck, now: Now, reading: Reading, pending: int) -> Bar:
    """The toolbar's values. `reading` is of what leaves the program; `pending` counts what is being worked
    out in the background."""
    if session.trial is not None:
        return _in_trial(session, session.trial, deck, now, pending)
    here, other = session.here, session.other
    return Bar(
        number=session.track + 1,
        title=here.title,
        motion=session.motion,
        place_s=min(session.place_s, here.duration_s),
        length_s=here.duration_s,
        profile=session.profile,
        state=session.state,
        gain_db=gain_db(session),
        trim_db=session.trim_db,
        dim=session.dim,
        mute=session.mute,
        listen=session.listen,
        other="" if other is None else session.tracks[other].version,
        difference_lu=session.difference_lu(),
        momentary_lufs=reading.momentary_lufs,
        short_term_lufs=reading.short_term_lufs,
        true_peak_dbtp=reading.true_peak_dbtp,
        limiter_lu=_limiter_lu(session, session.place_s),
        dropouts=now.dropouts,
        alive=now.alive,
        instant=session.instant_trim_db is not None,
        notice=_notice(session, deck, now, pending),
    )


def _in_trial(session: Session, run: Run, deck: Deck, now: Now, pending: int) -> Bar:
    """Nothing that depends on which version sounds: no name, gain, difference or reading, and the place
    counted from the passage's beginning, since versions have times of their own."""
    screen = show(run.trial)
    length = run.trial.plan.passage_s
    first = session.plan.spans[0].start_s if run.started and session.plan is not None else session.place_s
    into = round(session.place_s - first, 2)
    return Bar(
        number=None,
        title="",
        motion=session.motion,
        place_s=min(max(into, 0.0), length),
        length_s=length,
        profile=session.profile,
        state=session.state,
        gain_db=0.0,
        trim_db=session.trim_db,
        dim=session.dim,
        mute=session.mute,
        listen=session.listen,
        dropouts=now.dropouts,
        alive=now.alive,
        notice=_notice(session, deck, now, pending),
        trial=TrialBar(
            screen.round_number,
            screen.rounds,
            run.letter or "",
            screen.letters,
            screen.heard,
            run.offered or "",
        ),
    )


def _limiter_lu(session: Session, place_s: float) -> float | None:
    if session.state == "delivered":
        return None
    start = max(place_s - LIMITER_SECONDS, 0.0)
    span = Span(session.track, start, start + LIMITER_SECONDS)
    taken = limiter_lu(session.tracks, span, session.profile)
    return None if taken is None else max(taken, 0.0)


def _wanted_words(wanted: str) -> str:
    return "D/A converter" if wanted == CONVERTER else wanted


def _notice(session: Session, deck: Deck, now: Now, pending: int) -> str:
    """The one thing that the listener must know first, or nothing."""
    if session.trouble or not now.alive:
        return "no sound: device lost"
    if now.waiting:
        return "preparing…"
    if session.trial is not None and not session.trial.ready:
        return "preparing the versions…"
    if session.wanted is not None:
        return f"calculating {_wanted_words(session.wanted)}…"
    if deck.kind == "silent":
        return "silent: no device"
    if deck.kind == "file":
        return "to a file"
    return "working…" if pending else ""
