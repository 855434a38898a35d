"""Acts on passages: montage, transitions, loop."""

from __future__ import annotations

from dataclasses import replace

from simulator.common.errors import UsageError
from simulator.common.text import capital, counted
from simulator.common.units import format_time
from simulator.session import worst
from simulator.session.acts.command import Command, Outcome, on_words
from simulator.session.acts.transport import planned
from simulator.session.events import Say
from simulator.session.excerpts import WORST, Excerpt, find_mark, kind_of, parse_time, place_of
from simulator.session.levels import WINDOW_SECONDS, Span
from simulator.session.plans import (
    SHORTEST_LOOP_S,
    Plan,
    cut_words,
    list_plan,
    loop_in,
    loop_plan,
    transitions_plan,
)
from simulator.session.state import Session
from simulator.session.track import same_moment_s

MONTAGE_SECONDS = 12.0
TRANSITION_SECONDS = 8.0
LONGEST_SECONDS = 120.0
WORST_SECONDS = 5.0


def montage(session: Session, words: list[str]) -> Outcome:
    """A passage of each track, back to back."""
    words = list(words)
    asked = None
    if len(words) > 1 and (found := parse_time(words[-1])) is not None:
        asked = _length(found, "montage loudest 12")
        words = words[:-1]
    word = " ".join(words) or "loudest"
    order = session.readable
    if not order:
        raise UsageError("No track in the list can be played.", "To see why: list")
    if word.casefold() == WORST:
        return _worst_montage(session, asked or WORST_SECONDS)
    seconds = asked or MONTAGE_SECONDS
    places = [_place(session, track, word, seconds) for track in order]
    plan = Plan(
        "montage", tuple(excerpt.span for excerpt in places), tuple(excerpt.reason for excerpt in places)
    )
    lines = [
        f"{excerpt.span.track + 1} {session.tracks[excerpt.span.track].title}: {excerpt.reason}."
        for excerpt in places
    ]
    said = f"Montage, {seconds:g} s a track. " + " ".join(lines)
    return _from_first(session, plan, said)


def _worst_montage(session: Session, seconds: float) -> Outcome:
    """The worst moments, each in the open version and then in the other one."""
    waiting = worst.awaiting(session, f"montage worst {seconds:g}")
    if waiting is not None:
        return waiting
    worst.in_turn(session, forward=False)  # raises where there are none
    spans, words = zip(*worst.spans_in_both(session, seconds), strict=True)
    open_, other = (session.tracks[track].version for track in worst.pair_here(session))
    count = f"{len(spans) // 2} worst moments" if len(spans) > 2 else "the worst moment"
    said = f"Montage of {count}, {seconds:g} s in “{open_}”, then in “{other}”. {capital(words[0])}."
    return _from_first(session, Plan("montage", spans, words), said)


def transitions(session: Session, words: list[str]) -> Outcome:
    """The last and first seconds of neighbours."""
    if len(words) > 1:
        raise UsageError("transitions takes one length in seconds.", "transitions 6")
    seconds = parse_time(words[0]) if words else TRANSITION_SECONDS
    if seconds is None:
        raise UsageError(f"“{words[0]}” is not a length in seconds.", "transitions 6")
    plan = transitions_plan(session.tracks, _length(seconds, "transitions 6"))
    if not plan.spans:
        raise UsageError("A transition needs a list of two or more playable tracks.")
    count = len(plan.spans) // 2
    said = f"{counted(count, 'transition')}, {seconds:g} s either side, gaps as delivered."
    profile = session.profiles.get(session.profile)
    on_album = any(session.tracks[track].album for track in session.readable)
    if profile is not None and profile.target_lufs is not None and on_album:
        said += " By the other album rule: album"
    return _from_first(session, plan, said)


def loop(session: Session, words: list[str]) -> Outcome:
    """Repeat a passage, or stop repeating."""
    if (words and words[0].casefold() == "off") or (not words and session.loop is not None):
        return _unlooped(session)
    if len(words) == 1 and words[0].casefold() in ("in", "out"):
        return _loop_end(session, words[0].casefold())
    length = session.here.duration_s
    if not words:
        start, end = session.place_s, session.place_s + WINDOW_SECONDS
        if session.plan is not None and session.plan.kind == "montage":
            start, end = session.passage.start_s, session.passage.end_s
    elif len(words) == 1 and words[0].casefold() == WORST:
        waiting = worst.awaiting(session, "loop worst")
        if waiting is not None:
            return waiting
        worst_moment = worst.in_turn(session, forward=False)
        session = replace(session, last_worst=(worst.pair_here(session), worst_moment.number))
        start, end = worst_moment.span.start_s, worst_moment.span.end_s
    elif len(words) == 1 and (kind := kind_of(words[0])) is not None:
        span = place_of(session.tracks, session.track, kind, WINDOW_SECONDS).span
        start, end = span.start_s, span.end_s
    elif len(words) == 1:
        seconds = parse_time(words[0])
        if seconds is None:
            raise UsageError(f"“{words[0]}” is not a length in seconds.", "loop 8, loop 1:02 1:10, loop off")
        start, end = session.place_s, session.place_s + seconds
    else:
        times = [parse_time(word) for word in words]
        if len(times) != 2 or times[0] is None or times[1] is None:
            raise UsageError("A loop needs a start and an end.", "loop 1:02 1:10")
        start, end = times[0], times[1]
    if end <= start or start >= length:
        raise UsageError("The loop must start before it ends, inside the track.", "loop 1:02 1:10")
    plan = loop_plan(Span(session.track, start, end), length)
    span = plan.spans[0]
    said = f"Loop from {format_time(span.start_s)} to {format_time(span.end_s)}."
    if end - start < SHORTEST_LOOP_S:
        said += " The minimum is half a second."
    inside = span.start_s <= session.place_s < span.end_s and session.motion != "stopped"
    place_s = session.place_s if inside else span.start_s
    return planned(session, plan, span.track, place_s, said, follow=inside)


def refitted(session: Session, track: int) -> tuple[Session, str]:
    """The session whose `track` is another file now: its plan is moved inside that file; and what
    changed, as a sentence."""
    plan = session.plan
    if plan is None:
        return session, ""
    said = ""
    if plan.kind == "loop" and plan.spans[0].track == track:
        try:
            plan = loop_in(session.tracks, plan, track)
            said = cut_words(session.tracks, plan)
        except UsageError as problem:
            plan, said = list_plan(session.tracks, track), f"Loop cancelled: {problem.message}"
    else:
        spans = tuple(_inside(session, span) if span.track == track else span for span in plan.spans)
        for before, span in zip(plan.spans, spans, strict=True):
            if plan.kind != "list" and span != before:
                said += f" Now playing {format_time(span.start_s)} to {format_time(span.end_s)}."
        plan = replace(plan, spans=spans)
    after = replace(session, plan=plan)
    if plan.kind != "list" and session.track == track:
        here = plan.spans[after.segment]
        if not here.start_s <= after.place_s < here.end_s:
            after = replace(after, place_s=here.start_s)
    return after, said.strip()


def _inside(session: Session, span: Span) -> Span:
    """As long, and inside its track, which may be a shorter one now."""
    length = session.tracks[span.track].duration_s
    start = min(span.start_s, max(length - (span.end_s - span.start_s), 0.0))
    return replace(span, start_s=start, end_s=min(span.end_s, length))


def _from_first(session: Session, plan: Plan, said: str) -> Outcome:
    first = plan.spans[0]
    return planned(session, plan, first.track, first.start_s, said)


def _loop_end(session: Session, which: str) -> Outcome:
    """One end of the loop, here: the in point waits for the out point, or moves the loop that is set."""
    track, here = session.track, session.place_s
    start, end = None, None
    if session.loop is not None:
        start, end = session.loop.spans[0].start_s, session.loop.spans[0].end_s
    elif session.loop_in is not None and session.loop_in.track == track:
        start = session.loop_in.start_s
    if which == "in":
        if end is None or here >= end:
            after = replace(session, loop_in=Span(track, here, here))
            return after, (Say(f"Loop in at {format_time(here)}. Set its end with ] or: loop out"),)
        start = here
    else:
        start = max(here - WINDOW_SECONDS, 0.0) if start is None or start >= here else start
        end = here
    assert end is not None
    return loop(replace(session, loop_in=None), [f"{start:.3f}", f"{end:.3f}"])


def _unlooped(session: Session) -> Outcome:
    if session.loop is None:
        return session, (Say("No loop is set."),)
    after = replace(session, plan=list_plan(session.tracks, session.track), segment=0)
    return after, (*after.sounding(follow=True), Say("Loop off."))


def _place(session: Session, track: int, word: str, seconds: float) -> Excerpt:
    """The passage of a track that a word names; other tracks than a mark's take the same time."""
    if (kind := kind_of(word)) is not None:
        return place_of(session.tracks, track, kind, seconds)
    at, source = parse_time(word, session.place_s), session.track
    if word.casefold() == "here":
        at = session.place_s
    if at is None:
        mark = find_mark(session.marks, word)
        at, source = mark.place_s, mark.track
    start = same_moment_s(session.tracks, source, at, track)
    start = min(start, max(session.tracks[track].duration_s - seconds, 0.0))
    end = min(start + seconds, session.tracks[track].duration_s)
    return Excerpt(Span(track, start, end), f"as asked ({format_time(start)})")


def _length(seconds: float, example: str) -> float:
    if not SHORTEST_LOOP_S <= seconds <= LONGEST_SECONDS:
        raise UsageError(
            f"A passage can be {SHORTEST_LOOP_S:g} to {LONGEST_SECONDS:g} s long, got {seconds:g}.",
            example,
        )
    return seconds


COMMANDS = (
    Command(
        "montage",
        on_words(montage),
        "A passage of each track.",
        "montage loudest 8",
        old=("round", "r"),
        arguments="[loudest|quietest|lift|worst|TIME|MARK] [SECONDS]",
        listed="[PLACE] [SECONDS]",
        kinds=(("place", "mark"), ("seconds",)),
        asks=("steps",),
    ),
    Command(
        "transitions",
        on_words(transitions),
        "Track ends into next starts.",
        "transitions 6",
        short=("t",),
        arguments="[SECONDS]",
        kinds=(("seconds",),),
    ),
    Command(
        "loop",
        on_words(loop),
        "Repeat a passage (12 s).",
        "loop 1:02 1:10",
        short=("l",),
        arguments="[FROM TO|SECONDS|worst|in|out|off]",
        keys=(("[", "loop in"), ("]", "loop out")),
        kinds=(("place", "seconds"), ("place",)),
    ),
)
