"""Controller of the listening desk: holds session, deck and session log, and carries out effects.

Lines, keys and ticks (ten a second) go into the session's `step`; nothing is decided here. All of it runs in
the caller's thread. Work that the session asks for without waiting runs in one daemon thread, in order; its
results are taken between two ticks, and a failure is a value that costs that work alone. The lanes of a blind
trial and the level of its passage in each are held until it is over, so that no switch waits.
"""

from __future__ import annotations

import os
import queue
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from simulator.common.errors import SimulatorError
from simulator.common.units import db_to_gain, seconds_to_frames
from simulator.deck.interface import Deck, DeckProgram, DeckSegment, DeviceView, Now
from simulator.desk.completion import Word, candidates
from simulator.desk.live_view import DeskMeter, DeskStage, bar_of
from simulator.desk.tracks import (
    Rewritten,
    TrackLanes,
    deck_program,
    lane_key,
    passages,
    remembered_marks,
    track_lanes,
)
from simulator.engine.interrupts import signals_held
from simulator.metering.gating import exact_lufs
from simulator.metering.meter import Reading
from simulator.playlists.revisions import revised_file
from simulator.session import events, worst
from simulator.session.events import TICK_SECONDS, Prepared
from simulator.session.levels import LEAD_SECONDS, LONGEST_SECONDS
from simulator.session.log import missing
from simulator.session.session import step
from simulator.session.state import DIM_DB, Session
from simulator.storage.session_file import RecordFile, now, remember_trim
from simulator.text.desk.screens import screen, wrapped
from simulator.text.desk.stage import SCREEN_COLUMNS, Stage
from simulator.text.desk.status_bar import Bar

if TYPE_CHECKING:
    from simulator.desk.artist_screen import ArtistScreen
    from simulator.desk.background import Studio
    from simulator.desk.watch import FolderWatch

T = TypeVar("T")
Work = Callable[[], Sequence[T]]
Failed = Callable[[SimulatorError], Sequence[T]]


class Background(Generic[T]):
    """A queue of calls that each give events."""

    def __init__(self) -> None:
        self._asked: queue.SimpleQueue[tuple[Work[T], Failed[T]] | None] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[Sequence[T] | BaseException] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._closed = False
        self.pending = 0

    def start(self, work: Work[T], failed: Failed[T]) -> None:
        """Queues a call; `failed` turns a failure into events."""
        self.pending += 1
        self._asked.put((work, failed))
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()

    def take(self, wait_s: float = 0.0) -> list[T]:
        """The events of all that is done by now, in order; waits up to `wait_s` for the first of them.
        Raises what is no error of the user's."""
        events: list[T] = []
        while self.pending:
            try:
                done = self._done.get(timeout=wait_s) if wait_s > 0.0 else self._done.get_nowait()
            except queue.Empty:
                break
            self.pending -= 1
            wait_s = 0.0
            if isinstance(done, BaseException):
                raise done
            events.extend(done)
        return events

    def close(self) -> None:
        """Begins nothing more, not even what is queued."""
        self._closed = True
        self._asked.put(None)
        self.pending = 0

    def _run(self) -> None:
        while (asked := self._asked.get()) is not None and not self._closed:
            work, failed = asked
            try:
                self._done.put(work())
            except SimulatorError as problem:
                self._done.put(failed(problem))
            except BaseException as problem:
                self._done.put(problem)


@dataclass(frozen=True, slots=True)
class Failure:
    """Background work that failed: why, and the player that was wanted, if it was one."""

    text: str
    profile: str = ""


Taken = events.Event | Failure


@dataclass(frozen=True, slots=True)
class Outside:
    """What the desk needs of the world: where words go, the clock (seconds) and how to let time pass, the
    time of day in words, chance (53 bits, which every reader of JSON keeps whole), and the folder for what
    is remembered; `screen` follows the stage, where there is one."""

    say: Callable[[str], None]
    config: Path
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    at: Callable[[], str] = now
    chance: Callable[[], int] = lambda: secrets.randbits(53)
    screen: ArtistScreen | None = None


class Desk:
    """Session, deck and record together. `scripted`: the lines come from a script, so that `wait` waits
    and background work is waited for before the next line. `watch` tells of new revisions."""

    def __init__(
        self,
        session: Session,
        player: Deck,
        record: RecordFile,
        studio: Studio,
        outside: Outside,
        *,
        scripted: bool,
        watch: FolderWatch | None = None,
    ) -> None:
        self.session = session
        self.left = False
        self._player, self._record, self._studio, self._outside = player, record, studio, outside
        self._scripted, self._watch = scripted, watch
        self._meter = DeskMeter(player.recent, player.sample_rate, outside.clock)
        self._stage, self._artist_stage = DeskStage(), DeskStage()
        self._work: Background[Taken] = Background()
        self._moments: Background[Taken] = Background()  # beside it: a player need not wait for them
        self._to_find: events.FindMoments | None = None
        self._now: Now = player.now()
        self._program: DeckProgram | None = None
        self._alive = True
        self._said_why: set[str] = set()
        self._said_problems: set[str] = set()
        self._devices: list[str] = []
        self._preparing = Preparing(player)
        self._rewritten = Rewritten()

    @property
    def asks(self) -> bool:
        """True while a question is open, so that the next line is its answer."""
        return self.session.question is not None

    @property
    def in_trial(self) -> bool:
        """True while a blind trial is on, so that letters are keys."""
        return self.session.trial is not None

    def open(self, session: Session, effects: Iterable[events.Effect]) -> None:
        """The session as it begins; starts what need not be waited for."""
        notes = len(self._record.record.of_kind("note"))
        self.session = replace(session, earlier_notes=notes, record_path=str(self._record.path))
        for effect in effects:
            self._do(effect)
        rates = {track.delivered.sample_rate for track in session.tracks if track.delivered is not None}
        self._say(where_it_goes(self._player, rates))
        self._work.start(self._studio.align, _failed)
        pairs = worst.pairs(self.session.tracks)
        if pairs and not self._scripted:  # a script that asks for none need not wait for them
            self._to_find = events.FindMoments(pairs)
            self.session = replace(self.session, looking=True)
        for track, lanes in self._lanes().items():
            self._player.lanes.want(lane_key(self.session.source(track), {track: lanes}))

    def enter(self, line: str) -> None:
        """A line that was typed, or the answer to an open question."""
        self.tick()
        self._step(events.Typed(line.strip(), self._outside.at(), self._outside.chance()))
        self._show()
        if self._scripted:
            self._settle()

    def press(self, key: str) -> None:
        """A key on an empty line."""
        self.tick()
        self._step(events.Pressed(key, self._outside.at()))
        self._show()

    def interrupt(self) -> None:
        """Ctrl-C: an open question is a no, what plays stops, and the session stays."""
        self.tick()
        if self.asks:
            self._step(events.Typed("n", self._outside.at()))
        if self.session.motion != "stopped":
            self._step(events.Typed("stop", self._outside.at()))

    def tick(self) -> None:
        """Asks the deck where it is, and takes what was done in the background."""
        self._look()
        self._look_for_revisions()
        for event in (*self._work.take(), *self._moments.take()):
            self._take(event)
        if self._to_find is not None and not self._work.pending:  # what is aligned already need not be again
            pairs, self._to_find = self._to_find.pairs, None
            self._moments.start(
                lambda: self._studio.find_moments(pairs),
                lambda problem: [worst.not_found(self.session, pairs, str(problem))],
            )
        if not self._work.pending and (prepared := self._preparing.look(self._outside.at())) is not None:
            self._step(prepared)
        if self.session.trial is None:
            self._preparing.end()
        self._show()

    def resize(self, width: int) -> None:
        """The screens are drawn to this many cells."""
        if width != self.session.width:
            self.session = replace(self.session, width=width)

    def bar(self) -> Bar:
        """What the toolbar shows now."""
        live = self._now.playing and self._now.alive  # of a lost device nothing leaves the program
        reading = self._meter.look() if live else Reading()
        return bar_of(self.session, self._player, self._now, reading, self._work.pending)

    def stage(self, columns: int) -> Stage:
        """The stage now, with curves of `columns` cells."""
        return self._stage.look(self.session, self.bar(), columns)

    def _show(self) -> None:
        """Passes the stage on to the second screen."""
        if self._outside.screen is None:
            return
        bar = bar_of(self.session, self._player, self._now, Reading(), self._work.pending)
        self._outside.screen.show(self._artist_stage.look(self.session, bar, SCREEN_COLUMNS))
        for text in self._outside.screen.news():
            self._say(text)

    def candidates(self, before: str) -> list[Word]:
        """What may stand at the cursor."""
        return candidates(self.session, before, self._devices)

    def close(self) -> None:
        """Nothing more is begun. A trial that was left is kept as such. The deck is its owner's to close."""
        if self.session.trial is not None:
            self._step(events.Typed("trial stop", self._outside.at()))
        self._work.close()
        self._moments.close()

    def _look(self) -> None:
        now = self._now = self._player.now()
        if now.alive != self._alive:
            self._alive = now.alive
            at = self._outside.at()
            self._said_why.clear()
            if now.alive:
                self._step(events.DeviceFound(self._player.device or "", at))
            else:
                why = now.why or "The output device is gone."
                self._said_why.add(why)
                self._step(events.DeviceLost(why, at))
        elif not now.alive and now.why is not None and now.why not in self._said_why:
            self._said_why.add(now.why)  # it is looked for again and again: each reason is said once
            self._say(now.why)
        if self._program is not None:
            place_s = now.frame / self._player.sample_rate
            self._step(events.Tick(now.segment, place_s, now.ended, now.dropouts))
            self._say_lane_problem(now)

    def _look_for_revisions(self) -> None:
        """Has each new revision of a track measured; the session offers it."""
        files, notices = ([], []) if self._watch is None else self._watch.take()
        for text in notices:
            self._say(text)
        paths = [track.path for track in self.session.tracks if track.delivered is not None]
        for path in files:
            older = revised_file(path, paths)
            for track, view in enumerate(self.session.tracks):
                if older is not None and view.path == older and view.delivered is not None:
                    self._measure_revision(track, path)

    def _measure_revision(self, track: int, path: str) -> None:
        def failed(problem: SimulatorError) -> list[Taken]:
            return [events.Revised(track, path, os.path.basename(path), problem=str(problem))]

        self._work.start(lambda: self._studio.revision(track, path), failed)

    def _say_lane_problem(self, now: Now) -> None:
        """Once for each lane that cannot be made."""
        if self._program is None or not now.waiting:
            return
        problem = self._player.lanes.look(self._program.segments[now.segment].lane).problem
        if problem is not None and self.session.trial is not None:
            problem = "A version can no longer be played. End the trial: trial stop"  # which one, is secret
        if problem is not None and problem not in self._said_problems:
            self._said_problems.add(problem)
            self._say(problem)

    def _take(self, event: Taken) -> None:
        """What the background came to."""
        if not isinstance(event, Failure):
            self._step(event)
            return
        if event.profile and self.session.wanted == event.profile:
            self.session = replace(self.session, wanted=None)
        self._say(event.text)

    def _step(self, event: events.Event) -> None:
        in_trial = self.session.trial is not None
        self.session, effects = step(self.session, event)
        for effect in effects:
            self._do(effect)
        watched = self._watch is not None and self._watch.watching  # it offers rewritten files
        sounds = in_trial or any(isinstance(effect, events.Sound) for effect in effects)
        if self.session.trial is None and sounds and not watched:
            for text in self._rewritten.news(self.session, self._is_whole):
                self._say(text)

    def _is_whole(self, track: int) -> bool:
        """True where the lane of a track is made to its end."""
        lane = self._player.lanes.look(lane_key(self.session.source(track), self._lanes()))
        return lane.finished and lane.problem is None

    def _do(self, effect: events.Effect) -> None:  # one line for each kind of effect
        match effect:
            case events.Sound():
                self._sound(effect)
            case events.Pause():
                self._player.pause()
            case events.Resume():
                self._player.resume()
            case events.Output(trim_db, dim, mute, listen, ramp_s):
                gain = 0.0 if mute else db_to_gain(trim_db + (DIM_DB if dim else 0.0))
                self._player.output(gain, listen, ramp_s)
            case events.Say(text):
                self._say(text)
            case events.Show():
                self._outside.say(screen(self.session, effect))
            case events.Keep(act):
                with signals_held():  # what is given is on the disk before the session ends
                    self._record.keep(act)
            case events.Merge():
                self._merge()
            case events.ListDevices():
                self._list_devices()
            case events.ChooseDevice(name):
                self._choose(name)
            case events.Predict(profile):
                self._work.start(
                    lambda: self._studio.predict(profile),
                    lambda problem: [Failure(str(problem), profile)],
                )
            case events.Replace(track, path):
                self._work.start(
                    lambda: self._studio.replace(track, path),
                    lambda problem: [events.Replaced(track, None, str(problem), self._outside.at())],
                )
            case events.FindMoments():
                self._to_find = effect
            case events.Prepare(sources, spans):
                rate = self._player.sample_rate
                self._preparing.begin(passages(sources, spans, self._lanes(), rate))
            case events.RememberTrim(trim_db):
                remember_trim(self._outside.config, trim_db)
            case events.Wait(seconds):
                self._wait(seconds)
            case events.Leave():
                self.left = True

    def _merge(self) -> None:
        """Nothing of the other files is changed, so that it can be done again."""
        added = {}
        for name, other in self._record.copies().items():
            added[name] = missing(self._record.record, other)
            with signals_held():
                self._record.merge(other)
        record = self._record.record
        marks = remembered_marks(record, self.session.tracks)
        self._step(events.Merged(added, marks, len(record.of_kind("note"))))

    def _sound(self, effect: events.Sound) -> None:
        program = deck_program(effect.program, self._lanes(), self._player.sample_rate)
        self._program = program
        for number, segment in enumerate(program.segments):
            self._player.lanes.want(segment.lane, urgent=number == effect.segment)
        frame = seconds_to_frames(effect.place_s, self._player.sample_rate)
        since = self._now.clock if effect.follow else None
        ramp_from = db_to_gain(effect.ramp_from_db) if effect.ramp_from_db is not None else 0.0
        self._player.sound(program, effect.segment, frame, effect.ramp_s, ramp_from, since)

    def _choose(self, name: str | None) -> None:
        try:
            self._player.choose(name)
        except SimulatorError as problem:
            self._say(str(problem))

    def _wait(self, seconds: float | None) -> None:
        """Lets time pass; in a file as fast as it can be written. At a prompt nobody needs to wait."""
        if not self._scripted:
            self._say("wait is for scripts: here, playback simply continues.")
            return
        self._settle()
        passed = 0.0
        while not self.left and (seconds is None or passed < seconds - 1e-9):
            if seconds is None and (self._now.ended or not self._now.playing or not self._now.alive):
                break
            part = TICK_SECONDS if seconds is None else min(TICK_SECONDS, seconds - passed)
            (self._player.pass_time if self._player.kind == "file" else self._outside.sleep)(part)
            passed += part
            self.tick()

    def _settle(self) -> None:
        """Waits for what was asked of the background."""
        while self._work.pending:
            for event in self._work.take(TICK_SECONDS):
                self._take(event)
        self.tick()
        while self._moments.pending and not self.left:
            for event in self._moments.take(TICK_SECONDS):
                self._take(event)
        while self._preparing.waits and not self.left:
            self._outside.sleep(TICK_SECONDS)
            self.tick()

    def _list_devices(self) -> None:
        try:
            devices = self._player.devices()
        except SimulatorError as problem:
            self._say(str(problem))
            return
        self._devices = [one.name for one in devices]
        self._outside.say(device_text(devices, self._player.silent_because, self.session.width))

    def _lanes(self) -> dict[int, TrackLanes]:
        return track_lanes(self.session.tracks, self.session.profiles, self._studio.decodes)

    def _say(self, text: str) -> None:
        self._outside.say(paragraphs(text, self.session.width))


def _failed(problem: SimulatorError) -> list[Taken]:
    return [Failure(str(problem))]


class Preparing:
    """What is being prepared; all calls belong to the deck's thread."""

    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._passages: tuple[DeckSegment, ...] = ()
        self._problem: str | None = None
        self._held = False

    @property
    def waits(self) -> bool:
        return bool(self._passages)

    def begin(self, passages: Iterable[DeckSegment]) -> None:
        """Has their lanes made before all others; what was asked for before is no longer waited for."""
        self._passages = tuple(passages)
        self._problem = self._deck.lanes.hold([passage.lane for passage in self._passages])
        self._held = True

    def end(self) -> None:
        """The trial is over, or was left: nothing is waited for, and the lanes may go."""
        if self._held:
            self._passages, self._problem, self._held = (), None, False
            self._deck.lanes.hold(())

    def look(self, at: str) -> Prepared | None:
        """The answer, once: all lanes are whole, or one cannot be made, or not all of them together."""
        views = [self._deck.lanes.look(passage.lane) for passage in self._passages]
        problems = (self._problem, *(view.problem for view in views))
        problem = next((problem for problem in problems if problem is not None), "")
        if not views or not (problem or all(view.finished for view in views)):
            return None
        measured = [] if problem else [self._level(passage) for passage in self._passages]
        levels = tuple(level for level in measured if level is not None)
        self._passages, self._problem = (), None
        return Prepared(problem, at, levels if len(levels) == len(measured) else ())

    def _level(self, passage: DeckSegment) -> float | None:
        """The passage's level in LUFS; None for a long or silent one."""
        rate, first, end = self._deck.sample_rate, passage.first_frame, passage.end_frame
        if end is None or end - first > LONGEST_SECONDS * rate:
            return None
        from_frame = max(first - seconds_to_frames(LEAD_SECONDS, rate), 0)
        return exact_lufs(self._deck.lanes.read(passage.lane, from_frame, end), first - from_frame, rate)


def paragraphs(text: str, width: int) -> str:
    """One paragraph, or several with line ends between them, wrapped to the screen."""
    lines = [wrapped(paragraph, width) or [""] for paragraph in text.splitlines() or [""]]
    return "\n".join(line for paragraph in lines for line in paragraph)


def where_it_goes(deck: Deck, rates: Iterable[int]) -> str:
    """Where the sound goes, or why there is none and how to get it; which of the tracks' rates (Hz) are
    converted."""
    rate = f"{deck.sample_rate / 1000:g} kHz"
    others = [f"{rate / 1000:g}" for rate in sorted(rates) if rate != deck.sample_rate]
    resampled = f" Tracks at {' and '.join(others)} kHz are resampled." if others else ""
    if deck.kind == "file":
        return f"Rendering the session to a {rate} file. Time advances only on `wait`.{resampled}"
    if deck.kind == "silent":
        return f"No sound. {deck.silent_because or ''}".rstrip()
    return f"Playing through “{deck.device}” at {rate}.{resampled}"


def device_text(devices: Sequence[DeviceView], silent_because: str | None, width: int) -> str:
    """The devices by name, or why there is none."""
    if not devices:
        return paragraphs(silent_because or "No output device found.", width)
    lines = ["Outputs (to choose one: devices NAME):"]
    for device in devices:
        notes = [f"{device.channels} channels", f"{device.sample_rate / 1000:g} kHz"]
        notes += ["system default"] if device.default else []
        mark = "*" if device.chosen else " "
        lines.append(f" {mark} {device.name}  ({', '.join(notes)})")
    lines.append("* is in use." if any(device.chosen for device in devices) else "None is in use.")
    return "\n".join(lines)
