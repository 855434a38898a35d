"""Step of a session: a session and an event in, the next session and the effects out. Pure: the clock, the
device, the disk and the screen are on the other side.

Every line goes through the one table of commands; what it did is kept in the record; no act raises the level
by more than 3 LU at once (`acts/level_guard`).
"""

from __future__ import annotations

from dataclasses import replace

from simulator.common.errors import UsageError
from simulator.common.text import level
from simulator.session import events, provenance, worst
from simulator.session.acts import monitoring, notes, transport
from simulator.session.acts import trial_steps as steps
from simulator.session.acts.command import Line, Outcome
from simulator.session.acts.level_guard import guarded
from simulator.session.acts.montage import refitted
from simulator.session.codec_variants import CONVERTER, decode_of, is_of_versions
from simulator.session.commands import find_command
from simulator.session.log import Act
from simulator.session.state import FIRST_TRIM_DB, LOWEST_TRIM_DB, Session

ENDED = {
    "list": "End of the list.",
    "loop": "End of the loop.",
    "montage": "End of the montage.",
    "transitions": "End of the transitions.",
}
QUIETER = ("dim", "mute")
"""Keys that turn down even while a question is open."""
YES, NO = ("y", "yes"), ("n", "no")
HEAR_IT = "n"
"""No question is open then: it takes in the revision that was announced."""


def opened(session: Session, remembered_trim_db: float | None, at: str) -> Outcome:
    """The session as it begins: quietly, with the opening screen."""
    wanted = FIRST_TRIM_DB if remembered_trim_db is None else min(remembered_trim_db, FIRST_TRIM_DB)
    session = replace(session, trim_db=max(wanted, LOWEST_TRIM_DB)).settled()
    if session.readable and session.track not in session.readable:
        session = replace(session, track=session.readable[0])
    said = f"Monitor trim starts at {level(session.trim_db)} dB."
    act = Act(at, "opened", {"profile": session.profile})
    return _rested(
        session, (events.Keep(act), monitoring.output(session), events.Show("opening"), events.Say(said))
    )


def step(session: Session, event: events.Event) -> Outcome:
    """One event. Never raises for what a user typed: the answer then is a sentence."""
    after, effects = _step(session, event)
    if session.trial is not None and after.trial is None:
        for waiting in session.trial.later:
            after, more = _step(after, waiting)
            effects = (*effects, *more)
    if after.arrived is not None and after.trial is None and after.question is None:
        after, more = _announced(after, after.arrived)
        effects = (*effects, *more)
    after, effects = _rested(after, effects)
    heard = after.output_lufs()
    return (after if heard is None else replace(after, heard_lufs=heard, heard_listen=after.listen)), effects


def _rested(session: Session, effects: tuple[events.Effect, ...]) -> Outcome:
    """What is kept names the files and the player it rests on."""
    acts = [effect.act for effect in effects if isinstance(effect, events.Keep)]
    profile = session.profiles.get(session.profile)
    kept, known = provenance.rested(acts, session.tracks, profile, session.known)
    if known == session.known and list(kept) == acts:
        return session, effects
    others = [effect for effect in effects if not isinstance(effect, events.Keep)]
    return replace(session, known=known), (*map(events.Keep, kept), *others)


def _step(session: Session, event: events.Event) -> Outcome:
    if session.trial is not None:
        outcome = steps.during(session, session.trial, event, find_command)
        if outcome is not None:
            return outcome
    match event:
        case events.Typed():
            return _typed(session, event.line.strip(), event.at, event.chance)
        case events.Pressed():
            if session.question is not None:
                if event.key not in QUIETER or (event.key, True) in (
                    ("dim", session.dim),
                    ("mute", session.mute),
                ):
                    return session, ()  # a slip of the hand is no answer, and nothing gets louder by it
                quiet, effects = _done(replace(session, question=None), Line(event.key, event.at))
                return replace(quiet, question=session.question), effects
            return _done(session, Line(event.key, event.at))
        case events.Tick():
            return _ticked(session, event)
        case events.DeviceLost():
            act = Act(event.at, "device lost", {"why": event.why})
            said = f"{event.why} Your position is kept. To choose another output: devices"
            return replace(session, trouble=event.why), (events.Keep(act), events.Say(said))
        case events.DeviceFound():
            act = Act(event.at, "device", {"name": event.name})
            guard = " The level guard is on again." if session.instant_trim_db is not None else ""
            after = replace(session, trouble="", instant_trim_db=None)
            return after, (events.Keep(act), events.Say(f"Playing through {event.name}.{guard}"))
        case events.Predicted():
            return _predicted(session, event)
        case events.Replaced():
            return _replaced(session, event)
        case events.Revised():
            return replace(session, arrived=event), ()
        case events.Merged():
            return _merged(session, event)
        case events.Aligned():
            return _aligned(session, event)
        case events.MomentsFound():
            return _moments_found(session, event)
        case events.Prepared():
            return session, ()  # the trial was left before


def _typed(session: Session, line: str, at: str, chance: int) -> Outcome:
    """A command, or the answer to the open question."""
    question = session.question
    if question is None:
        if line.casefold() == HEAR_IT and session.offered is not None:
            return _done(session, Line("replace", at))
        if line.casefold() in (*YES, *NO):  # a yes too many is no command
            return session, ()
        if line.casefold() in steps.LETTERS:
            return session, (events.Say("No trial is running. To start one: trial which 16"),)
        return _done(session, Line(line, at))
    session = replace(session, question=None)
    if line.casefold() in YES:
        return _done(session, Line(question.line, at, confirmed=True, seed=chance))
    if (other := question.others.get(line.casefold())) is not None:
        return _done(session, Line(other, at, confirmed=True, seed=chance))
    if line.casefold() in NO or not line:
        return session, (events.Say("Nothing changed."),)
    after, effects = _done(session, Line(line, at))
    return after, (events.Say("Nothing changed."), *effects)


def _done(session: Session, line: Line) -> Outcome:
    """What the table has for this line, through the loudness guard; it is kept with its circumstances."""
    if not line.text.split():
        return session, ()
    try:
        command = find_command(line.word)
        after, effects = command.act(session, line)
        if command.record != "own":
            asks = () if line.confirmed else command.asks
            after, effects = guarded(session, (after, effects), asks, line.text, switch=command.switches)
    except UsageError as problem:
        return session, (events.Say(str(problem)),)
    if after.question is not None and after.question != session.question:
        return after, (events.Say(after.question.text),)
    if any(isinstance(effect, events.Sound) for effect in effects):
        after = replace(after, awaited="")  # elsewhere by now: nobody waits to be taken away
    if command.record == "line":
        kept = Act(line.at, command.name, {"line": line.text, **notes.circumstances(after)})
        effects = (*effects, events.Keep(kept))
    return after, effects


def _ticked(session: Session, event: events.Tick) -> Outcome:
    """The deck's word on where it is."""
    after = replace(session, dropouts=event.dropouts)
    plan = session.plan
    if plan is None or session.motion == "stopped" or event.segment >= len(plan.spans):
        return after, ()
    if event.ended:
        ended = replace(after, motion="stopped", plan=None, segment=0, place_s=0.0)
        return ended, (events.Say(ENDED[plan.kind]),)
    track = plan.spans[event.segment].track
    after = replace(after, segment=event.segment, track=track, place_s=event.place_s)
    if event.segment != session.segment:
        number, title = track + 1, after.here.title
        why = plan.words[event.segment] if event.segment < len(plan.words) else ""
        said = f"{number} {title}{': ' + why if why else ''}."
        after = replace(after, last_track=None)  # nobody chose it: tab goes to the other version
        if plan.kind == "list" and after.state == "matched" and track not in after.turned_down_db:
            before, after = after, after.settled()
            if after.program() != before.program():
                return guarded(session, (after, (*after.sounding(follow=True), events.Say(said))))
        return after, (events.Say(said),)
    return after, ()


def _predicted(session: Session, event: events.Predicted) -> Outcome:
    tracks = tuple(
        replace(view, played={**view.played, event.profile: event.views[i]}) if i in event.views else view
        for i, view in enumerate(session.tracks)
    )
    session = replace(session, tracks=tracks)
    if not monitoring.all_known(session) or session.wanted is None:
        return session, ()
    if session.wanted == CONVERTER:
        return guarded(session, monitoring.behind_converter(session))
    return guarded(session, monitoring.with_profile(session, session.wanted))


def _replaced(session: Session, event: events.Replaced) -> Outcome:
    """The new revision takes the old one's place, and both stand in the record; one that was announced is
    heard, at the same moment."""
    accepted = session.accepted
    if accepted is not None and accepted.track == event.track:
        session = replace(session, accepted=None)
    else:
        accepted = None
    if event.view is None:
        return session, (events.Say(f"Kept the earlier version: {event.problem}"),)
    old = session.tracks[event.track]
    tracks = tuple(event.view if i == event.track else view for i, view in enumerate(session.tracks))
    after = replace(session, tracks=tracks)
    if is_of_versions(session.profile):  # of the old file
        after = replace(after, profile=decode_of(session.profile))
    if event.track == session.track:
        place_s = session.place_s + ((accepted.shift_s or 0.0) if accepted is not None else 0.0)
        place_s = min(max(place_s, 0.0), max(event.view.duration_s - 0.05, 0.0))
        after = replace(after, place_s=place_s)
    after, moved = refitted(worst.without(after, event.track), event.track)
    after = after.settled()
    act = Act(
        event.at,
        "revision",
        {
            "track": event.track + 1,
            "title": old.title,
            "old": provenance.identity(old),
            "new": provenance.identity(event.view),
        },
    )
    parts = [f"Track {event.track + 1} is now {event.view.path} (was {old.path}).", moved]
    if event.view.path != old.path:
        parts.append("The playlist still names the older file.")
    said = " ".join(part for part in parts if part)
    kept = (events.Keep(act), events.Say(said))
    if accepted is None or (event.track == after.track and after.motion != "stopped"):
        return guarded(session, (after, (*after.sounding(), *kept)))
    try:
        after, heard = transport.pick(after, [str(event.track + 1)])
    except UsageError as problem:  # too little of the loop
        return after, (*kept, events.Say(str(problem)))
    return guarded(session, (after, (*kept, *heard)))


def _merged(session: Session, event: events.Merged) -> Outcome:
    """Marks and notes of other desks are this one's from now on."""
    if not event.acts:
        return session, (events.Say("No other session file of this list holds anything new."),)
    after = replace(session, marks=event.marks, earlier_notes=event.notes - len(session.notes))
    added = [f"{name} ({provenance.counts(acts) or 'log entries'})" for name, acts in event.acts.items()]
    kept = "The other file stays" if len(added) == 1 else "The other files stay"
    return after, (events.Say(f"Added to this session: {', '.join(added)}. {kept} unchanged."),)


def _announced(session: Session, event: events.Revised) -> Outcome:
    """One line about a new revision; nothing is switched by itself."""
    session = replace(session, arrived=None)
    name = event.name
    if event.track != session.track:
        name += f" of “{session.tracks[event.track].title}”"
    if event.problem:
        return session, (events.Say(f"{name} is here but cannot be used: {event.problem}"),)
    parts = [event.timing] if event.timing else []
    if event.louder_lu is not None:
        amount = level(abs(event.louder_lu))
        way = "louder" if event.louder_lu > 0.0 else "quieter"
        parts.insert(0, "same loudness" if amount == level(0.0) else f"{amount} LU {way}")
    said = f"{name} is here{': ' * bool(parts)}{', '.join(parts)}. {HEAR_IT} = hear it"
    return replace(session, offered=event), (events.Say(said),)


def _aligned(session: Session, event: events.Aligned) -> Outcome:
    tracks = tuple(
        replace(view, offset_s=event.offsets_s.get(i, view.offset_s)) for i, view in enumerate(session.tracks)
    )
    effects: tuple[events.Effect, ...] = (events.Say(event.text),) if event.text else ()
    return replace(session, tracks=tracks), effects


def _moments_found(session: Session, event: events.MomentsFound) -> Outcome:
    """Goes on with what waited for them."""
    after = worst.found(session, event)
    if not session.awaited or session.question is not None or session.trial is not None:
        return after, ()
    return _done(after, Line(session.awaited, event.at))
