"""Values that a page is made from: measured tracks, predictions, and what was noted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from simulator.delivery.finding import Finding
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Track


@dataclass(frozen=True, slots=True)
class PageTrack:
    """One track: its place in the playlist (from 1), what was measured, and for each player what it does
    (None where that could not be said); `problem` says why a track could not be read."""

    number: int
    track: Track
    delivered: Measurement | None
    predictions: tuple[Prediction | None, ...]
    problem: str = ""


@dataclass(frozen=True, slots=True)
class PageContent:
    """What the page is made of, sounds apart."""

    title: str
    client: str
    version: str
    profiles: tuple[Profile, ...]
    tracks: tuple[PageTrack, ...]
    decisions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    trials: tuple[str, ...] = ()
    findings: Mapping[int, tuple[Finding, ...]] = field(default_factory=dict)
    """Those of the delivery check, by the track's number."""
    listen: Mapping[str, Any] | None = field(default=None)
    """What the listening part shows (see `page_listen`); None where there is nothing to hear."""


def song_groups(tracks: Sequence[PageTrack]) -> list[list[PageTrack]]:
    """Readable versions of each song with two or more of them, in the playlist's order."""
    groups: dict[str, list[PageTrack]] = {}
    for one in tracks:
        if one.track.song is not None and one.delivered is not None and one.predictions[0] is not None:
            groups.setdefault(one.track.song, []).append(one)
    return [group for group in groups.values() if len(group) > 1]
