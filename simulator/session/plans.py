"""Plan of what is played, and its program; it outlives every change of state and player.

Playing the list: one segment a track, joined sample by sample, so that an album runs without a gap.
A loop: one passage for ever, with fades. A montage: a passage of each track, with fades and a short silence.
Transitions: the end of each track and the beginning of the next, joined as in the list, faded outside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from simulator.common.errors import UsageError
from simulator.common.units import format_time
from simulator.session.levels import Source, Span
from simulator.session.track import TrackView, shift_between_s

SHORTEST_LOOP_S = 0.5
"""ITU-R BS.1534-3, section 5.3."""
_ROUNDING_S = 1e-6
ROUND_SILENCE_S = 0.5
PAIR_SILENCE_S = 1.0


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a source, and the silence after it. `end_s` None is the end of the track. Neighbours
    without fades join sample by sample."""

    source: Source
    start_s: float
    end_s: float | None
    fade_in: bool
    fade_out: bool
    silence_after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Program:
    """Segments back to back, once, or for ever (`repeat`)."""

    segments: tuple[Segment, ...]
    repeat: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """`list`: the tracks from `spans`' first track on (its spans have the tracks' whole lengths); `loop`:
    the one span; `montage`: the spans; `transitions`: pairs of spans. `asked` is the loop as it was set,
    where another version has only a part of it, or has it at another time."""

    kind: Literal["list", "loop", "montage", "transitions"]
    spans: tuple[Span, ...]
    words: tuple[str, ...] = ()
    """For a montage: why each place was chosen."""
    asked: Span | None = None


@dataclass(frozen=True, slots=True)
class Left:
    """Where a track was left: its place and, where it was looped, the loop."""

    place_s: float
    loop: Plan | None = None


def list_plan(tracks: tuple[TrackView, ...], track: int) -> Plan:
    """From this track to the end of the list, without what cannot be read."""
    return Plan("list", tuple(Span(i, 0.0, tracks[i].duration_s) for i in _from(tracks, track)))


def transitions_plan(tracks: tuple[TrackView, ...], seconds: float) -> Plan:
    """The last and the first seconds of neighbours."""
    order = _from(tracks, 0)
    spans: list[Span] = []
    for track, after in pairwise(order):
        length = tracks[track].duration_s
        spans.append(Span(track, max(length - seconds, 0.0), length))
        spans.append(Span(after, 0.0, min(seconds, tracks[after].duration_s)))
    return Plan("transitions", tuple(spans))


def loop_plan(span: Span, duration_s: float) -> Plan:
    """The passage for ever; one that is too short is made longer, inside the track."""
    end = min(max(span.end_s, span.start_s + SHORTEST_LOOP_S), duration_s)
    start = max(min(span.start_s, end - SHORTEST_LOOP_S), 0.0)
    return Plan("loop", (Span(span.track, start, end),))


def loop_in(tracks: tuple[TrackView, ...], plan: Plan, track: int) -> Plan:
    """The loop in another version: the moments that were asked for, as far as it has them. Raises
    UsageError where that is less than the shortest loop."""
    asked = plan.asked or plan.spans[0]
    shift_s = shift_between_s(tracks, asked.track, track)
    start = max(asked.start_s + shift_s, 0.0)
    end = min(asked.end_s + shift_s, tracks[track].duration_s)
    if end - start < SHORTEST_LOOP_S - _ROUNDING_S:
        raise UsageError(
            f"“{tracks[track].version}” has less than half a second of the looped passage.",
            "Try: loop off, then switch to it",
        )
    return Plan("loop", (Span(track, start, end),), asked=asked)


def cut_words(tracks: tuple[TrackView, ...], plan: Plan) -> str:
    """Where a loop has only a part of what was asked for: which; else empty."""
    span, asked = plan.spans[0], plan.asked or plan.spans[0]
    if span.end_s - span.start_s >= asked.end_s - asked.start_s - _ROUNDING_S:
        return ""
    return (
        f"“{tracks[span.track].version}” has only part of the loop ({format_time(span.start_s)} to "
        f"{format_time(span.end_s)}); your loop points are kept."
    )


def program_of(plan: Plan, source_of: Callable[[int], Source]) -> Program:
    """The plan as a deck plays it now."""
    segments: list[Segment] = []
    for index, span in enumerate(plan.spans):
        source, first = source_of(span.track), index % 2 == 0
        if plan.kind == "list":
            segments.append(Segment(source, 0.0, None, False, False))
        elif plan.kind == "transitions":
            silence = 0.0 if first else PAIR_SILENCE_S
            end = None if first else span.end_s
            segments.append(Segment(source, span.start_s, end, first, not first, silence))
        else:
            silence = ROUND_SILENCE_S if plan.kind == "montage" else 0.0
            segments.append(Segment(source, span.start_s, span.end_s, True, True, silence))
    return Program(tuple(segments), repeat=plan.kind == "loop")


def _from(tracks: tuple[TrackView, ...], track: int) -> list[int]:
    return [i for i in range(track, len(tracks)) if tracks[i].delivered is not None]
