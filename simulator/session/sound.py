"""Programs of the session as values, which the desk turns into a deck's frames.

Conventions: seconds are in each track's own time; gains in dB; tracks are counted from 0 in the list's order.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Source:
    """What of a track: `lane` None is the file itself; a profile's id is that player's whole output for it
    (gain and limiter). `gain_db` is what comes after the lane: a gain-only player's gain, a matching one."""

    track: int
    lane: str | None
    gain_db: float


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
