"""Status bar and stage of this moment: the session's state and the deck's, in one value each.

The stage's curves are the versions' as they play now, worked out when they change and kept until then.

Meter of what leaves the program, held for the eye: peaks stay for three seconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from simulator.blind_test.trial import show
from simulator.common.units import energy_to_lufs
from simulator.deck.interface import Deck, Now
from simulator.metering.meter import WANTED_SECONDS, Reading, read_live
from simulator.session.acts.now_playing import gain_db
from simulator.session.codec_variants import CONVERTER
from simulator.session.excerpts import place_of
from simulator.session.levels import MONO_LU, STEPS_PER_SECOND, WINDOW_SECONDS, Span, limiter_lu
from simulator.session.state import Run, Session
from simulator.session.track import TrackView, same_moment_s, shift_between_s, versions
from simulator.session.worst import moments_here
from simulator.text.desk.stage import Stage, StageCurve
from simulator.text.desk.status_bar import Bar, TrialBar

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
        """The reading now; computed at most every EACH_SECONDS."""
        now = self._clock()
        if self._looked_at is not None and 0.0 <= now - self._looked_at < EACH_SECONDS - 0.01:
            return self.reading
        self._looked_at = now
        reading = read_live(self._recent(WANTED_SECONDS), self._rate)
        if reading.true_peak_dbtp is not None:
            self._peaks.append((now, reading.true_peak_dbtp))
        while self._peaks and not 0.0 <= now - self._peaks[0][0] <= HOLD_SECONDS:
            self._peaks.popleft()
        highest = max((peak for _, peak in self._peaks), default=None)
        self.reading = Reading(reading.momentary_lufs, reading.short_term_lufs, highest)
        return self.reading


LIMITER_SECONDS = 0.4
"""The limiter's loss is shown over the momentary window."""


def bar_of(session: Session, deck: Deck, now: Now, reading: Reading, pending: int) -> Bar:
    """The toolbar's values. `reading` is of what leaves the program; `pending` counts what is being worked
    out in the background."""
    plain = Bar(
        number=None,
        title="",
        motion=session.motion,
        place_s=0.0,
        length_s=0.0,
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
    )
    if session.trial is not None:
        return _in_trial(plain, session, session.trial)
    here, other = session.here, session.against
    return replace(
        plain,
        number=session.track + 1,
        title=here.title,
        place_s=min(session.place_s, here.duration_s),
        length_s=here.duration_s,
        gain_db=gain_db(session),
        other="" if other is None else session.tracks[other].version,
        difference_lu=session.difference_lu(),
        momentary_lufs=reading.momentary_lufs,
        short_term_lufs=reading.short_term_lufs,
        true_peak_dbtp=reading.true_peak_dbtp,
        limiter_lu=_limiter_lu(session, session.place_s),
        resampled=_resampled(here, deck.sample_rate),
        instant=session.instant_trim_db is not None,
    )


def _in_trial(plain: Bar, session: Session, run: Run) -> Bar:
    """Nothing that depends on which version plays: no name, gain, difference or reading, and the place
    counted from the passage's beginning, since versions have times of their own."""
    screen = show(run.trial)
    length = run.trial.plan.passage_s
    first = session.plan.spans[0].start_s if run.started and session.plan is not None else session.place_s
    into = round(session.place_s - first, 2)
    return replace(
        plain,
        place_s=min(max(into, 0.0), length),
        length_s=length,
        trial=TrialBar(
            screen.round_number,
            screen.rounds,
            run.letter or "",
            screen.letters,
            screen.heard,
            run.offered or "",
        ),
    )


def _resampled(track: TrackView, rate: int) -> tuple[int, int] | None:
    own = rate if track.delivered is None else track.delivered.sample_rate
    return None if own == rate else (own, rate)


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
        return "preparing…"
    if session.trial is not None and not session.trial.ready:
        return "preparing the versions…"
    if session.wanted is not None:
        wanted = "D/A converter" if session.wanted == CONVERTER else session.wanted
        return f"calculating {wanted}…"
    if deck.kind == "silent":
        return "silent: no device"
    if deck.kind == "file":
        return "to a file"
    return "working…" if pending else ""


MOST_CURVES = 6
MOST_RANGE_LU = 36.0
ROOM_LU = 1.0


class DeskStage:
    """Keeps the last stage but for what moves: the place and the meters, which are the bar's."""

    def __init__(self) -> None:
        self._key: object = None
        self._kept: Stage | None = None
        self._held: object = None

    def look(self, session: Session, bar: Bar, columns: int) -> Stage:
        """The stage now, its curves `columns` cells wide. Of a blind trial nothing but the bar."""
        if session.trial is not None:
            return Stage(bar)
        # tracks and worst moments are compared by identity (every change makes new ones), and so held
        turned = tuple(session.turned_down_db.items()) if session.state == "matched" else ()
        values, place = (id(session.tracks), id(session.changes)), (session.track, session.through, turned)
        key = (columns, values, place, session.marks, session.plan, session.last_track)
        if self._kept is None or key != self._key:
            self._key, self._kept = key, _worked_out(session, bar, columns)
            self._held = session.tracks, session.changes
        return replace(self._kept, bar=bar)


def _worked_out(session: Session, bar: Bar, columns: int) -> Stage:
    tracks, here, length = session.tracks, session.track, session.here.duration_s
    if session.here.delivered is None or length <= 0.0:
        return Stage(bar)
    song = versions(tracks, here)
    shown = [(at, i) for at, i in enumerate(song) if at < MOST_CURVES or i == here]
    curves = tuple(
        StageCurve(i + 1, tracks[i].version, at, i == here, _values(session, i, columns, *session.through))
        for at, i in shown
    )
    # one scale for all level modes, so that the curves move and not the scale
    every = [
        value
        for _, i in shown
        for mode in ("delivered", "played")
        for value in _values(session, i, columns, mode, session.through[1])
        if value is not None
    ]
    high = max(every, default=0.0) + ROOM_LU
    quiet = float(np.percentile(every, 5)) if every else high - MOST_RANGE_LU
    low = max(quiet, high - MOST_RANGE_LU) - ROOM_LU

    def share(place_s: float) -> float:
        return min(max(place_s / length, 0.0), 1.0)

    plan = session.plan
    loop = plan.spans[0] if plan is not None and plan.kind == "loop" else None
    placed = [place_of(tracks, here, kind, WINDOW_SECONDS).span for kind in ("loudest", "quietest")]
    middles = [share((one.start_s + one.end_s) / 2) for one in placed]
    mode, player = session.through
    measured, played = session.here.delivered, session.here.played.get(player)
    if mode != "delivered" and played is not None:
        measured = played.measured
    down = session.turned_down_db.get(here, 0.0) if mode == "matched" else 0.0
    peak = measured.true_peak_dbtp
    return Stage(
        bar,
        curves,
        low,
        max(high, low + 6.0),
        tuple(
            share(same_moment_s(tracks, mark.track, mark.place_s, here))
            for mark in session.marks
            if mark.track in song
        ),
        None if loop is None else (share(loop.start_s), share(loop.end_s)),
        middles[0],
        middles[1],
        None if peak is None else down - peak,
        tuple(share((moment.span.start_s + moment.span.end_s) / 2) for moment in moments_here(session)),
    )


def _values(session: Session, track: int, columns: int, state: str, profile: str) -> tuple[float | None, ...]:
    """Loudness of the mean energy of each half cell, in the time of the track that plays, as it sounds."""
    one = session.tracks[track]
    played = one.played.get(profile)
    measured = one.delivered if state == "delivered" or played is None else played.measured
    if measured is None:
        return ()
    added = (MONO_LU if measured.channels == 1 else 0.0) - (
        session.turned_down_db.get(track, 0.0) if state == "matched" else 0.0
    )
    energy = measured.series.energy
    sums = np.concatenate([[0.0], np.cumsum(energy)])
    shift = shift_between_s(session.tracks, session.track, track)
    edges = np.linspace(0.0, session.here.duration_s, 2 * columns + 1) + shift
    steps = np.rint(edges * STEPS_PER_SECOND).astype(int)
    values: list[float | None] = []
    for first, last in zip(steps[:-1], np.maximum(steps[1:], steps[:-1] + 1), strict=True):
        inside = first >= 0 and last <= energy.shape[0]
        lufs = energy_to_lufs(float(sums[last] - sums[first]) / float(last - first)) if inside else None
        values.append(None if lufs is None else lufs + added)
    return tuple(values)
