"""Acts that start, stop and move: play, pause, stop, next, previous, go, nudge, pick, swap, reference."""

from __future__ import annotations

from dataclasses import replace

from simulator.common.errors import UsageError
from simulator.common.text import capital
from simulator.session import worst
from simulator.session.acts.command import REFUSED, Command, Line, Outcome, on_words
from simulator.session.acts.now_playing import what_plays
from simulator.session.events import Effect, Pause, Resume, Say
from simulator.session.excerpts import NEXT_MARK, WORST, find_mark, kind_of, parse_time, place_of
from simulator.session.plans import Left, Plan, cut_words, list_plan, loop_in, loop_plan
from simulator.session.state import Run, Session, find_track, no_words
from simulator.session.track import references, same_moment_s, shift_between_s, versions

LEAD_SECONDS = 12.0
MOST_KEYS = 9


def play(session: Session, words: list[str]) -> Outcome:
    """On from here, or a track from its beginning."""
    if not words and session.motion == "paused":
        return pause(session, [])
    if not words and session.motion == "playing":
        return session, (Say("Already playing."),)
    track = find_track(session, " ".join(words)) if words else _first_readable(session)
    place = 0.0 if words or track != session.track else session.place_s
    return started(session, track, place)


def pause(session: Session, words: list[str]) -> Outcome:
    """Silence and back."""
    no_words(words, "pause")
    if session.motion == "playing":
        return replace(session, motion="paused"), (Pause(), Say("Paused."))
    if session.motion == "paused":
        after = replace(session, motion="playing")
        return after, (Resume(), Say(what_plays(after)))
    return play(session, [])


def stop(session: Session, words: list[str]) -> Outcome:
    """Silence; the place goes back to the beginning of the track."""
    no_words(words, "stop")
    if session.motion == "stopped":
        return session, (Say("Nothing is playing."),)
    after = replace(session, motion="stopped", plan=None, segment=0, place_s=0.0)
    return after, (Pause(), Say("Stopped."))


def next_(session: Session, words: list[str]) -> Outcome:
    """The next passage of a round, or the next track that can be read."""
    no_words(words, "next")
    return _neighbour(session, 1)


def previous(session: Session, words: list[str]) -> Outcome:
    """The passage or track before."""
    no_words(words, "previous")
    return _neighbour(session, -1)


def go(session: Session, words: list[str]) -> Outcome:
    """To a time, a passage or a mark; playing goes on from there through the list."""
    if not words:
        raise UsageError(
            "Go where?", "Examples: go 1:23, go +10, go loudest, go quietest, go lift, go worst, go MARK"
        )
    word = " ".join(words)
    if (kind := kind_of(word)) is not None:
        excerpt = place_of(session.tracks, session.track, kind, LEAD_SECONDS)
        after, effects = started(session, session.track, excerpt.span.start_s)
        return after, (*effects, Say(f"{capital(excerpt.reason)}."))
    if word.casefold() == NEXT_MARK:
        return _next_mark(session)
    if word.casefold() == WORST:
        return _next_worst(session)
    seconds = parse_time(word, session.place_s)
    if seconds is not None:
        if seconds > session.here.duration_s and word[:1] not in "+-−":
            raise UsageError(
                f"{word} is past the end of this track.",
                f"It is {session.here.duration_s:.0f} s long.",
            )
        return started(session, session.track, seconds)
    mark = find_mark(session.marks, word)
    related = session.tracks[mark.track].song is not None
    track = session.track if related and session.tracks[mark.track].song == session.here.song else mark.track
    return started(session, track, same_moment_s(session.tracks, mark.track, mark.place_s, track))


def swap(session: Session, words: list[str]) -> Outcome:
    """Back to what was chosen before, or to the other version, at the same moment; or any track; a loop
    goes along as far as it has it, a montage is left. A reference goes on where it was left, and so does
    the master behind it. Raises UsageError where a version has too little of the loop."""
    if words:
        track = find_track(session, " ".join(words))
    elif session.last_track is not None and session.last_track != session.track:
        track = session.last_track
    elif session.other is not None:
        track = session.other
    else:
        raise UsageError("This song has no other version in the list.", "Any track: swap 3")
    if track == session.track:
        return session, (Say("Already playing."),)
    if {track, session.track} & set(references(session.tracks)):
        return _across(session, track)
    place = same_moment_s(session.tracks, session.track, session.place_s, track)
    after = replace(session, track=track, place_s=place, last_track=session.track)
    plan, cut, follow = session.plan, "", True
    if plan is not None and plan.kind == "loop":
        plan = loop_in(session.tracks, plan, track)
        span, cut = plan.spans[0], cut_words(session.tracks, plan)
        place = session.place_s + shift_between_s(session.tracks, session.track, track)
        follow = span.start_s <= place < span.end_s
        after = replace(after, segment=0, plan=plan, place_s=place if follow else span.start_s)
    elif plan is not None:
        after = replace(after, plan=list_plan(session.tracks, track), segment=0)
    after = after.settled()
    return after, (*after.sounding(follow=follow), Say(f"{what_plays(after)} {cut}".strip()))


def pick(session: Session, words: list[str]) -> Outcome:
    """A version at the same moment, or a track, by its number."""
    track = find_track(session, " ".join(words))
    if track in references(session.tracks) and track != session.track:
        return _across(session, track, start=True)
    if session.motion == "stopped":
        return started(session, track, session.place_s if track == session.track else 0.0)
    return swap(session, [str(track + 1)])


def reference(session: Session, words: list[str]) -> Outcome:
    """The next reference, each where it was left; after the last one, back to the master's moment."""
    no_words(words, "reference")
    order = references(session.tracks)
    if not order:
        raise UsageError("The list has no reference.", 'In the playlist, give it: role = "reference"')
    after = [i for i in order if i > session.track] if session.track in order else list(order)
    masters = [i for i in session.readable if i not in order]
    if after:
        return _across(session, after[0], start=True)
    master = session.master if session.master is not None else next(iter(masters), None)
    track = order[0] if master is None else master
    if track == session.track:
        return session, (Say("The list has no other reference and no master."),)
    return _across(session, track, start=True)


def _across(session: Session, track: int, *, start: bool = False) -> Outcome:
    """To a reference or away from one: each goes on where it was left, with its own loop."""
    before = _left(session, track)
    place_s, loop = _moment(before, track)
    motion = "playing" if start and before.motion == "stopped" else before.motion
    after = replace(
        before,
        track=track,
        place_s=place_s,
        segment=0,
        plan=None if motion == "stopped" else loop or list_plan(session.tracks, track),
        motion=motion,
        last_track=session.track,
    ).settled()
    wake: tuple[Effect, ...] = (Resume(),) if motion != session.motion else ()
    return after, (*after.sounding(), *wake, Say(what_plays(after)))


def _left(session: Session, track: int) -> Session:
    """The session on its way to a track: keeps where a reference is left, or a master for one."""
    order, here = references(session.tracks), session.track
    if track == here or (track not in order and here not in order):
        return session
    left = {**session.left, here: Left(session.place_s, session.loop)}
    return replace(session, left=left, master=session.master if here in order else here)


def _moment(session: Session, track: int) -> tuple[float, Plan | None]:
    """Where a track goes on, and its loop: the master, in any version, at the moment at which it was left;
    a reference there too, at first on its loudest passage, looped if the master was."""
    tracks, master, left = session.tracks, session.master, session.left.get(track)
    is_reference = track in references(tracks)
    if not is_reference and master is not None and track in versions(tracks, master):
        left = session.left[master]
        left = replace(left, place_s=same_moment_s(tracks, master, left.place_s, track))
    if left is None and is_reference:
        span = session.chosen_passage(track)
        return span.start_s, None if session.loop is None else loop_plan(span, tracks[track].duration_s)
    if left is None:
        return same_moment_s(tracks, session.track, session.place_s, track), None
    try:
        loop = None if left.loop is None else loop_in(tracks, left.loop, track)
    except UsageError:  # a revision, or another version, without the passage
        loop = None
    place_s = min(left.place_s, max(tracks[track].duration_s - 0.05, 0.0))
    if loop is not None and not loop.spans[0].start_s <= place_s < loop.spans[0].end_s:
        place_s = loop.spans[0].start_s
    return place_s, loop


def nudge(session: Session, words: list[str]) -> Outcome:
    """Forward or back by seconds; inside a loop it stays inside."""
    seconds = parse_time(words[0], session.place_s) if len(words) == 1 and words[0][:1] in "+-−" else None
    if seconds is None:
        raise UsageError("How many seconds?", "nudge +1, nudge -5")
    plan = session.plan
    if plan is None or plan.kind == "list" or session.motion == "stopped":
        return _moved(session, min(max(seconds, 0.0), max(session.here.duration_s - 0.05, 0.0)))
    span = plan.spans[session.segment]
    if plan.kind == "loop":
        into = (seconds - span.start_s) % (span.end_s - span.start_s)
        return _moved(session, span.start_s + into)
    return _moved(session, min(max(seconds, span.start_s), span.end_s - 0.05))


def _moved(session: Session, place_s: float) -> Outcome:
    """The same program at another place: no word, the stage shows it."""
    after = replace(session, place_s=place_s).settled()
    return after, after.sounding()


def _next_mark(session: Session) -> Outcome:
    """To the next mark of the song, round and round."""
    song = session.here.song
    places = sorted(
        (same_moment_s(session.tracks, mark.track, mark.place_s, session.track), mark.name)
        for mark in session.marks
        if mark.track == session.track or (song is not None and session.tracks[mark.track].song == song)
    )
    if not places:
        return session, (Say("No mark in this song yet. Set one: mark NAME, or m"),)
    place, name = next((later for later in places if later[0] > session.place_s + 0.05), places[0])
    after, effects = started(session, session.track, place)
    return after, (*effects, Say(f"Mark “{name}”."))


def _next_worst(session: Session) -> Outcome:
    """To the moment where the change is most likely to be heard; again: to the next, round and round."""
    waiting = worst.awaiting(session, "go worst")
    if waiting is not None:
        return waiting
    one, pair = worst.in_turn(session, forward=True), worst.pair_here(session)
    after, effects = started(session, session.track, one.span.start_s)
    said = f"{capital(worst.rank_words(session, one))}: {one.words}."
    caveat = " A model's estimate: your ears decide." if one.number == 1 else ""
    return replace(after, last_worst=(pair, one.number)), (*effects, Say(f"{said}{caveat}"))


def started(session: Session, track: int, place_s: float) -> Outcome:
    """Playing the list from a place of a track; a session that is paused stays paused there."""
    place_s = min(max(place_s, 0.0), max(session.tracks[track].duration_s - 0.05, 0.0))
    return planned(_left(session, track), list_plan(session.tracks, track), track, place_s)


def planned(
    session: Session, plan: Plan, track: int, place_s: float, said: str = "", *, follow: bool = False
) -> Outcome:
    """Playing a plan from a place in its first span; a session that is paused stays paused there. `said`
    comes before what plays; `follow` as in `Sound`."""
    after = replace(
        session,
        plan=plan,
        segment=0,
        track=track,
        place_s=place_s,
        motion="paused" if session.motion == "paused" else "playing",
        last_track=session.track if session.track != track else session.last_track,
    ).settled()
    wake: tuple[Effect, ...] = (Resume(),) if session.motion == "stopped" else ()
    words = (Say(said),) if said else ()
    return after, (*after.sounding(follow=follow), *wake, *words, Say(what_plays(after)))


def _neighbour(session: Session, step: int) -> Outcome:
    plan = session.plan
    if plan is not None and plan.kind in ("montage", "transitions"):
        segment = session.segment + step
        if not 0 <= segment < len(plan.spans):
            raise UsageError(f"That was the {'last' if step > 0 else 'first'} passage of the {plan.kind}.")
        span = plan.spans[segment]
        after = replace(session, segment=segment, track=span.track, place_s=span.start_s).settled()
        return after, (*after.sounding(), Say(what_plays(after)))
    order = [i for i in session.readable if (i > session.track if step > 0 else i < session.track)]
    if not order:
        raise UsageError(f"This is the {'last' if step > 0 else 'first'} track.")
    track = order[0] if step > 0 else order[-1]
    if session.motion == "stopped":
        after = replace(session, track=track, place_s=0.0, last_track=session.track)
        return after, (Say(what_plays(after)),)
    return started(session, track, 0.0)


def _first_readable(session: Session) -> int:
    order = session.readable
    if not order:
        raise UsageError("No track in the list can be played.", "To see why: list")
    return session.track if session.track in order else order[0]


def _pause_in_trial(session: Session, run: Run, line: Line) -> Outcome:
    """Silence, and back where the trial has begun."""
    if session.motion == "playing":
        return _stop_in_trial(session, run, line)
    if session.motion == "paused" and run.started:
        return replace(session, motion="playing"), (Resume(), Say("Playing."))
    return session, (Say("Nothing is playing."),)


def _stop_in_trial(session: Session, _run: Run, _line: Line) -> Outcome:
    """Silence; the place stays, since the trial goes on."""
    if session.motion == "playing":
        return replace(session, motion="paused"), (Pause(), Say("Paused. trial stop ends the trial."))
    return session, (Say("Nothing is playing."),)


def _play_in_trial(session: Session, run: Run, line: Line) -> Outcome:
    """On again; a track cannot be chosen."""
    if line.words:
        raise UsageError(REFUSED)
    if session.motion == "paused" and run.started:
        return _pause_in_trial(session, run, line)
    return session, (Say("Already playing." if run.started else "Nothing is playing."),)


COMMANDS = (
    Command(
        "play",
        on_words(play),
        "Play from here, or a track.",
        "play 2",
        short=("p",),
        arguments="[TRACK]",
        kinds=(("track",),),
        in_trial=_play_in_trial,
        trial_line="play",
        asks=("rise",),
    ),
    Command(
        "pause",
        on_words(pause),
        "Pause or resume.",
        "pause",
        keys=(("space", "pause"),),
        in_trial=_pause_in_trial,
    ),
    Command(
        "stop",
        on_words(stop),
        "Stop and rewind the track.",
        "stop",
        in_trial=_stop_in_trial,
    ),
    Command("next", on_words(next_), "Next track or passage.", "next"),
    Command("previous", on_words(previous), "Previous track or passage.", "previous", short=("prev",)),
    Command(
        "go",
        on_words(go),
        "To a time, passage or mark.",
        "go loudest",
        short=("g",),
        arguments="TIME|loudest|quietest|lift|worst|MARK",
        listed="PLACE",
        kinds=(("place", "mark"),),
        keys=(("!", "go loudest"), ("enter", "go mark")),
    ),
    Command(
        "nudge",
        on_words(nudge),
        "Forward or back by seconds.",
        "nudge -5",
        arguments="SECONDS",
        kinds=(("seconds",),),
        keys=(
            ("left", "nudge -1"),
            ("right", "nudge +1"),
            ("s-left", "nudge -5"),
            ("s-right", "nudge +5"),
            ("c-left", "nudge -5"),
            ("c-right", "nudge +5"),
        ),
        record="none",
    ),
    Command(
        "pick",
        on_words(pick),
        "Version or track by number.",
        "pick 2",
        arguments="TRACK",
        kinds=(("track",),),
        keys=tuple((str(number), f"pick {number}") for number in range(1, MOST_KEYS + 1)),
        asks=("rise",),
        switches=True,
    ),
    Command(
        "swap",
        on_words(swap),
        "Other version, same moment.",
        "swap",
        short=("s",),
        arguments="[TRACK]",
        kinds=(("track",),),
        keys=(("tab", "swap"),),
        asks=("rise",),
        switches=True,
    ),
    Command(
        "reference",
        on_words(reference),
        "Next reference, or back.",
        "reference",
        short=("ref",),
        keys=((",", "reference"),),
        asks=("rise",),
    ),
)
