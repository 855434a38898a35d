"""Values of the stage: the versions' curves as they play now, worked out when they change and kept until
then."""

from __future__ import annotations

import numpy as np

from simulator.common.units import energy_to_lufs
from simulator.session.excerpts import place_of
from simulator.session.levels import MONO_LU, STEPS_PER_SECOND, WINDOW_SECONDS
from simulator.session.state import Session
from simulator.session.track import TrackView, same_moment_s, shift_between_s, versions
from simulator.text.stage import Curve, Stage
from simulator.text.status_bar import Bar

MOST_CURVES = 6
MOST_RANGE_LU = 36.0
ROOM_LU = 1.0


class DeskStage:
    """Keeps the last stage but for what moves: the place and the meters, which are the bar's."""

    def __init__(self) -> None:
        self._key: object = None
        self._kept: Stage | None = None
        self._tracks: tuple[TrackView, ...] = ()

    def look(self, session: Session, bar: Bar, columns: int) -> Stage:
        """The stage now, its curves `columns` cells wide. Of a blind trial nothing but the bar."""
        if session.trial is not None:
            return Stage(bar)
        # the tracks are compared by identity: every change makes a new tuple
        turned = tuple(session.turned_down_db.items()) if session.state == "matched" else ()
        tracks, place = id(session.tracks), (session.track, session.through, turned)
        key = (columns, tracks, place, session.marks, session.plan)
        if self._kept is None or key != self._key:
            self._key, self._kept, self._tracks = key, _worked_out(session, bar, columns), session.tracks
        kept = self._kept
        return Stage(
            bar,
            kept.curves,
            kept.low_lufs,
            kept.high_lufs,
            kept.marks,
            kept.loop,
            kept.loudest,
            kept.quietest,
            kept.peak_room_db,
        )


def _worked_out(session: Session, bar: Bar, columns: int) -> Stage:
    tracks, here, length = session.tracks, session.track, session.here.duration_s
    if session.here.delivered is None or length <= 0.0:
        return Stage(bar)
    song = versions(tracks, here)
    shown = [(at, i) for at, i in enumerate(song) if at < MOST_CURVES or i == here]
    curves = tuple(
        Curve(i + 1, tracks[i].version, at, i == here, _values(session, i, columns, *session.through))
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
    found: list[float | None] = []
    for first, last in zip(steps[:-1], np.maximum(steps[1:], steps[:-1] + 1), strict=True):
        inside = first >= 0 and last <= energy.shape[0]
        lufs = energy_to_lufs(float(sums[last] - sums[first]) / float(last - first)) if inside else None
        found.append(None if lufs is None else lufs + added)
    return tuple(found)
