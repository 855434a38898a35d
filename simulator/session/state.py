"""State of a listening session: the frozen value that every act turns into the next one.

A blind trial in it knows which version sounds under a letter: only `blind_test.trial.show` may reach a
screen. Spans are seconds in each version's own time; levels in LUFS and LU before the monitor trim.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from simulator.audibility.audibility import Audibility
from simulator.blind_test.trial import Letter, Trial, TrialKind
from simulator.common.errors import UsageError
from simulator.common.listening import Listen, Motion, State
from simulator.common.text import whole_number
from simulator.normalizer.profile import Profile
from simulator.session.codec_variants import with_converter
from simulator.session.events import Effect, Event, Revised, Sound
from simulator.session.excerpts import Mark, place_of
from simulator.session.levels import WINDOW_SECONDS, Source, Span, heard_lufs, matching_db, source_of, span_in
from simulator.session.log import Act
from simulator.session.plans import Left, Plan, Program, program_of
from simulator.session.track import TrackView, references, versions

DIM_DB = -20.0
UNTOUCHED = "untouched"
CONVERTER_TRIM_DB = -3.0
"""The listener's own converter must not be the second one to clip."""
FIRST_TRIM_DB = -12.0
"""A session starts at this at most: what is delivered can be far louder than what is played."""
LOWEST_TRIM_DB = -60.0


HEARD_SECONDS = 1.0
"""How long a letter must have sounded before it counts as heard; the project's own choice."""
TICK_AT_MOST_S = 0.5
"""What one tick can add: ticks come ten times a second, and a jump of the place is no listening."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A trial as it was asked for: `tracks` by their places in the list, `seed` drawn with the yes."""

    kind: TrialKind
    rounds: int
    tracks: tuple[int, ...]
    passage: Span
    reason: str
    seed: int = 0
    at_worst: bool = False


@dataclass(frozen=True)
class Run:
    """A blind trial under way; `spans` and `sources` in the order of the plan's versions. `ready` is False
    while the lanes are being made. `letter` is what plays (None before the first of a round), `listened_s`
    for how long; `offered` is an answer that awaits confirmation. `later` are events that wait for the end,
    since they would change the sound."""

    wanted: Wanted
    trial: Trial
    spans: tuple[Span, ...]
    sources: tuple[Source, ...]
    turned_down_db: Mapping[int, float]
    ready: bool = False
    started: bool = False
    letter: Letter | None = None
    listened_s: float = 0.0
    offered: Letter | None = None
    later: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Question:
    """An act that waits for a yes: its line, and what it would do, as a question; `others` are further
    answers, each with the line that it stands for."""

    line: str
    text: str
    others: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Session:
    """The whole session. `track` and `place_s` are where it is (the deck's last word); `turned_down_db` is
    what matching takes off each version; `loop_in` is a loop's beginning that waits for its end;
    `heard_lufs` is the level of the passage as it last sounded, trim included; `instant_trim_db` is the
    highest trim at which switches between versions may come at once (None: the level guard slows them);
    `wanted` is a player that is being worked out; `trial` a blind trial that goes on: `track` is then a
    secret; `left` is where references were left, and the master for them (`master`); `arrived` is a
    new revision that waits for the end of a trial or a question, `offered` one that was announced,
    `accepted` one that is being taken in to be heard; `known` are the ids
    of what the session file's acts rest on (see `provenance`); `last_codec` is the codec heard last (see
    `codec_variants`); `earlier_notes` is how many notes of earlier sessions the file at `record_path` holds;
    `changes` is where each version is likely to be heard to differ from the open one, or why that is not
    known, by pair (see `worst`); `looking` while that is worked out, `awaited` the line that waits for it,
    `last_worst` the moment that was gone to last."""

    tracks: tuple[TrackView, ...]
    profiles: Mapping[str, Profile]
    profile: str
    title: str = ""
    client: str = ""
    state: State = "played"
    track: int = 0
    place_s: float = 0.0
    segment: int = 0
    motion: Motion = "stopped"
    plan: Plan | None = None
    loop_in: Span | None = None
    trim_db: float = FIRST_TRIM_DB
    dim: bool = False
    mute: bool = False
    listen: Listen = "stereo"
    turned_down_db: Mapping[int, float] = field(default_factory=dict)
    marks: tuple[Mark, ...] = ()
    notes: tuple[Act, ...] = ()
    question: Question | None = None
    wanted: str | None = None
    trial: Run | None = None
    last_track: int | None = None
    left: Mapping[int, Left] = field(default_factory=dict)
    master: int | None = None
    heard_lufs: float | None = None
    heard_listen: Listen = "stereo"
    converter: bool = False
    dropouts: int = 0
    instant_trim_db: float | None = None
    trouble: str = ""
    arrived: Revised | None = None
    offered: Revised | None = None
    accepted: Revised | None = None
    known: frozenset[str] = frozenset()
    last_codec: str = ""
    earlier_notes: int = 0
    changes: Mapping[tuple[int, int], Audibility | str] = field(default_factory=dict)
    looking: bool = False
    awaited: str = ""
    last_worst: tuple[tuple[int, int], int] | None = None
    record_path: str = ""
    width: int = 80

    @property
    def here(self) -> TrackView:
        return self.tracks[self.track]

    @property
    def readable(self) -> tuple[int, ...]:
        return tuple(i for i, view in enumerate(self.tracks) if view.delivered is not None)

    @property
    def passage(self) -> Span:
        """The passage whose level is shown: the loop, the montage's passage, else the next 12 s."""
        if self.plan is not None and self.plan.kind != "list" and self.segment < len(self.plan.spans):
            return self.plan.spans[self.segment]
        return self._window(self.track, self.place_s)

    def _window(self, track: int, place_s: float) -> Span:
        """The 12 s of a track from a place on."""
        length = self.tracks[track].duration_s
        start = min(place_s, max(length - WINDOW_SECONDS, 0.0))
        return Span(track, start, min(start + WINDOW_SECONDS, length))

    @property
    def loop(self) -> Plan | None:
        """The plan, where it is a loop."""
        return self.plan if self.plan is not None and self.plan.kind == "loop" else None

    def chosen_passage(self, track: int) -> Span:
        """The passage of another track as it was left; at first its loudest, as long as the loop."""
        left = self.left.get(track)
        if left is None:
            span = None if self.loop is None else self.loop.spans[0]
            seconds = WINDOW_SECONDS if span is None else span.end_s - span.start_s
            return place_of(self.tracks, track, "loudest", seconds).span
        return self._window(track, left.place_s) if left.loop is None else left.loop.spans[0]

    @property
    def through(self) -> tuple[State, str]:
        """The state and the player as they sound: behind a converter that clips, what is as delivered is a
        chain of its own, too."""
        if not self.converter:
            return self.state, self.profile
        name = with_converter(UNTOUCHED if self.state == "delivered" else self.profile)
        return ("played" if self.state == "delivered" else self.state), name

    @property
    def clips(self) -> bool:
        """True where a D/A converter is simulated, by the switch or by the player itself. The trim then
        leaves it room."""
        own = self.profiles[self.profile].converter_headroom_db if self.profile in self.profiles else None
        return self.converter or own is not None

    @property
    def other(self) -> int | None:
        """The version that is held against this one: that which was heard before, else the song's next."""
        group = versions(self.tracks, self.track)
        if len(group) < 2 or self.track not in group:
            return None
        if self.last_track in group and self.last_track != self.track:
            return self.last_track
        return group[(group.index(self.track) + 1) % len(group)]

    @property
    def against(self) -> int | None:
        """What the passage's level is held against: the other version; for a reference, the master."""
        return self.master if self.track in references(self.tracks) else self.other

    def source(self, track: int) -> Source:
        """What sounds for a track in this state."""
        turned = self.turned_down_db.get(track, 0.0)
        return source_of(self.tracks, track, *self.through, turned)

    def program(self) -> Program:
        """The plan as it sounds in this state. Raises ValueError without a plan."""
        if self.plan is None:
            raise ValueError("nothing is planned")
        return program_of(self.plan, self.source)

    def span_lufs(self, span: Span) -> float | None:
        """The level of a span as this state and player sound it, before the trim."""
        return heard_lufs(self.tracks, span, *self.through, self.turned_down_db.get(span.track, 0.0))

    def output_lufs(self) -> float | None:
        """The level of the passage as it leaves the program; of a round, its loudest part still to come.
        None where nothing sounds."""
        if self.motion != "playing" or self.mute:
            return None
        spans = [self.passage]
        if self.plan is not None and self.plan.kind == "montage":
            spans = list(self.plan.spans[self.segment :])
        levels = [level for span in spans if (level := self.span_lufs(span)) is not None]
        return None if not levels else max(levels) + self.trim_db + (DIM_DB if self.dim else 0.0)

    def difference_lu(self) -> float | None:
        """By how much the passage, as heard now, is above the same passage of the other version; that of a
        reference above the passage at which the master was left."""
        other = self.against
        if other is None:
            return None
        apart = other == self.master and self.track in references(self.tracks)
        same = self.chosen_passage(other) if apart else span_in(self.tracks, self.passage, other)
        mine, theirs = self.span_lufs(self.passage), self.span_lufs(same)
        return None if mine is None or theirs is None else mine - theirs

    def matched_here(self) -> Session:
        """Matched on the passage that is current now; other songs of a montage on their own passages, and
        references on theirs, heard yet or not: what is heard first must not be louder than what follows."""
        span, turned = self.passage, dict[int, float]()
        if self.plan is not None and self.plan.kind in ("montage", "transitions"):
            for one in reversed(self.plan.spans):
                turned.update(matching_db(self.tracks, one, self.through[1]))
            turned.update(matching_db(self.tracks, span, self.through[1]))
            return replace(self, turned_down_db=turned)
        others = references(self.tracks)
        chosen = [span if i == self.track else self.chosen_passage(i) for i in others]
        if self.track in others and self.master is not None:
            span = self.chosen_passage(self.master)
        turned.update(matching_db(self.tracks, span, self.through[1], chosen))
        return replace(self, turned_down_db=turned)

    def settled(self) -> Session:
        """After any move: matching follows the passage."""
        return self.matched_here() if self.state == "matched" and self.tracks else self

    def sounding(self, *, follow: bool = False) -> tuple[Effect, ...]:
        """The effect that makes the deck do what this session says."""
        if self.plan is None or self.motion == "stopped":
            return ()
        return (Sound(self.program(), self.segment, self.place_s, follow),)


def no_words(words: list[str], name: str) -> None:
    """For commands without arguments. Raises UsageError where there are some."""
    if words:
        raise UsageError(f"{name} takes no arguments.", f"help {name}")


def find_track(session: Session, word: str) -> int:
    """A readable track by its number or by a part of its title. Raises UsageError."""
    number = whole_number(word)
    if number is not None:
        track = number - 1
        if not 0 <= track < len(session.tracks):
            raise UsageError(f"No track {word}.", f"Tracks: 1 to {len(session.tracks)}.")
    else:
        titles = [track.title for track in session.tracks]
        fits = [i for i, title in enumerate(titles) if word.casefold() in title.casefold()]
        exact = [i for i in fits if titles[i].casefold() == word.casefold()]
        if len(exact or fits) != 1:
            if fits:
                raise UsageError(
                    f"“{word}” matches several tracks.", "Type more of the title, or its number."
                )
            near = difflib.get_close_matches(word, titles, 1, 0.4)
            hint = f"Did you mean “{near[0]}”?" if near else "See all tracks: list"
            raise UsageError(f"No track named “{word}”.", hint)
        track = (exact or fits)[0]
    if session.tracks[track].delivered is None:
        raise UsageError(f"Track {track + 1} cannot be played: {session.tracks[track].problem}")
    return track
