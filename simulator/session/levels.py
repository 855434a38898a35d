"""Level of a passage as it is heard, and what of a track plays.

The level is the loudness of the passage's mean K-weighted energy (ITU-R BS.1770-5 without gates), read from
the measured 100 ms steps: exact on their grid; off it, a step's energy counts as evenly spread. Against the
exact frames 50 ms off the grid: mastered music within 0.03 LU for 12 s, 0.08 for 3 s, 0.12 for 2 s, 0.5 for
0.5 s (drums alone: 0.02, 0.6, 1.8 and 10). A blind trial, where level must not give a version away, measures
its frames instead (`exact_lufs` of `metering/gating`).

Conventions: seconds in each track's own time; gains in dB; tracks count from 0 in the list's order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.listening import State
from simulator.common.units import energy_to_lufs
from simulator.metering.measurement import Measurement
from simulator.session.track import TrackView, same_moment_s, versions

Energy = NDArray[np.float64]
STEPS_PER_SECOND = 10
MONO_LU = 10.0 * math.log10(2.0)
"""What is measured as one channel is heard from two."""
_DIGITS = 6
LEAD_SECONDS = 0.5
"""Wanted before the passage: the weighting's high-pass (38 Hz) forgets what came before in a part of this."""
LONGEST_SECONDS = 30.0
"""Of longer passages the series tell the level within 0.03 LU, and reading them would hold up the desk."""
WINDOW_SECONDS = 12.0
"""How long the passage is from the place on, where none was chosen."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a track, in its own time."""

    track: int
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Source:
    """What of a track: `lane` None is the file itself; a profile's id is that player's whole output for it
    (gain and limiter). `gain_db` is what comes after the lane: a gain-only player's gain, a matching one."""

    track: int
    lane: str | None
    gain_db: float


def passage_lufs(measured: Measurement, start_s: float, end_s: float) -> float | None:
    """Loudness of the mean energy between two moments of a track: of the whole steps between them, and of the
    steps at the edges by the part that lies inside; None for silence or nothing."""
    energy, weights = _inside(measured, start_s, end_s)
    return energy_to_lufs(float(energy @ weights) / float(weights.sum())) if energy.shape[0] else None


def _inside(measured: Measurement, start_s: float, end_s: float) -> tuple[Energy, Energy]:
    """The steps that lie in the passage, and how much of each (0 to 1)."""
    energy = measured.series.energy
    # a product's rounding error would take in 1e-15 of the next step, which may end a silence
    places = (round(second * STEPS_PER_SECOND, _DIGITS) for second in (start_s, end_s))
    first, last = (min(max(place, 0.0), float(energy.shape[0])) for place in places)
    begin, end = math.floor(first), math.ceil(last)
    if last <= first:
        return energy[:0], energy[:0]
    weights = np.ones(end - begin)
    weights[0] -= first - begin
    weights[-1] -= end - last
    return energy[begin:end], weights


def span_in(tracks: tuple[TrackView, ...], span: Span, track: int) -> Span:
    """The same moments in another version."""
    start = same_moment_s(tracks, span.track, span.start_s, track)
    return Span(track, start, start + span.end_s - span.start_s)


def source_of(
    tracks: tuple[TrackView, ...], track: int, state: State, profile: str, turned_down_db: float
) -> Source:
    """What sounds for a track. A player that was not worked out for it leaves it as it is."""
    played = tracks[track].played.get(profile)
    if state == "delivered" or played is None:
        return Source(track, None, 0.0)
    after = 0.0 - turned_down_db if state == "matched" else 0.0
    return Source(track, profile, after) if played.own_lane else Source(track, None, played.gain_db + after)


def heard_lufs(
    tracks: tuple[TrackView, ...], span: Span, state: State, profile: str, turned_down_db: float
) -> float | None:
    """The level of a span as it sounds, before the monitor's trim: mono comes from both loudspeakers."""
    one = tracks[span.track]
    played = one.played.get(profile)
    measured = one.delivered if state == "delivered" or played is None else played.measured
    if measured is None:
        return None
    lufs = passage_lufs(measured, span.start_s, span.end_s)
    if lufs is None:
        return None
    heard = lufs + MONO_LU if measured.channels == 1 else lufs
    return heard - turned_down_db if state == "matched" else heard


def matching_db(
    tracks: tuple[TrackView, ...], span: Span, profile: str, references: Sequence[Span] = ()
) -> dict[int, float]:
    """By how much each version of the song is turned down so that the span is equally loud in all, and in
    the passages of references: as loud as the least loud of them as played. Nothing is ever raised; a
    version that is silent there stays."""
    spans = (*(span_in(tracks, span, track) for track in versions(tracks, span.track)), *references)
    levels = {
        span.track: level
        for span in spans
        if (level := heard_lufs(tracks, span, "played", profile, 0.0)) is not None
    }
    lowest = min(levels.values(), default=0.0)
    return {track: level - lowest for track, level in levels.items()}


def limiter_lu(tracks: tuple[TrackView, ...], span: Span, profile: str) -> float | None:
    """What the player's limiter takes from the passage's loudness, against plain gain; None where no limiter
    acts on the track."""
    one = tracks[span.track]
    played = one.played.get(profile)
    if played is None or not played.own_lane or one.delivered is None:
        return None
    if played.prediction.limiter.max_reduction_db <= 0.0:
        return None
    before = passage_lufs(one.delivered, span.start_s, span.end_s)
    after = passage_lufs(played.measured, span.start_s, span.end_s)
    return None if before is None or after is None else before + played.gain_db - after
