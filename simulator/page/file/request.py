"""Request for a page: the measured playlist, and what shall be heard and shown on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from simulator.audibility.audibility import Audibility
from simulator.common.errors import SimulatorError
from simulator.delivery.finding import Finding
from simulator.engine.predict import MeasuredTrack
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.page.passages import DeskMark
from simulator.playlists.playlist import Playlist


@dataclass(frozen=True, slots=True)
class ChangedPair:
    """Two versions of a song by place, and what a model of hearing says of the loud one."""

    open_: int
    loud: int
    audibility: Audibility


@dataclass(frozen=True, slots=True)
class PageRequest:
    """What the page is asked to be. `predictions` has a row for each profile; `heard` are the places of
    the tracks that sound on it; `rounds` of the vote, or 0 for none; `offsets_s` says by how much each
    track lies later than the first version of its song; `findings` are the delivery check's, by place;
    `changed` is where the loud version of a song is likely to sound different from the open one; `keep_in`
    is where encoded masters are kept; `engineer` is who makes the page; `vote_passages` are the labels or
    kinds of the passages voted on (none: the first mark, else the loudest)."""

    playlist: Playlist
    profiles: Sequence[Profile]
    tracks: Sequence[MeasuredTrack]
    predictions: Sequence[Sequence[Prediction | SimulatorError | None]]
    heard: Sequence[int]
    seconds: float
    rounds: int = 0
    offsets_s: Mapping[int, float] | None = None
    marks: Sequence[DeskMark] = ()
    decisions: Sequence[str] = ()
    notes: Sequence[str] = ()
    trials: Sequence[str] = ()
    findings: Mapping[int, Sequence[Finding]] | None = None
    changed: ChangedPair | None = None
    keep_in: Path | None = None
    engineer: str = ""
    vote_passages: Sequence[str] = ()
    seed: int | None = None
    workers: int = 0
