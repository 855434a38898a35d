"""Acts that show, keep and arrange: lists, notes, marks, decisions, revisions, devices, help."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath

from simulator.blind_test import trial
from simulator.common.errors import UsageError
from simulator.common.text import level, whole_number
from simulator.common.units import format_time
from simulator.session.acts.command import (
    ActFunction,
    Choice,
    Command,
    Line,
    Outcome,
    on_dated_words,
    on_words,
    typed_number,
)
from simulator.session.events import (
    ChooseDevice,
    Effect,
    Keep,
    Leave,
    ListDevices,
    Merge,
    Replace,
    Say,
    Show,
    Wait,
)
from simulator.session.excerpts import NEXT_MARK, WORST, Mark, kind_of, parse_time
from simulator.session.log import Act
from simulator.session.state import Run, Session, find_track, no_words

DECIDE_EXAMPLE = "decide streaming -14 -1 Anna: keeps the chorus open"
LOWEST_TARGET_LUFS, LOWEST_CEILING_DBTP = -60.0, -40.0


def circumstances(session: Session) -> dict[str, object]:
    """Where an act was done: what the record says beside it."""
    return {
        "track": session.track + 1,
        "title": session.here.title,
        "path": session.here.path,
        "place_s": round(session.place_s, 3),
        "state": session.state,
        "profile": session.profile,
    }


def explain(session: Session, words: list[str]) -> Outcome:
    """Why a track gets its gain."""
    track = find_track(session, " ".join(words)) if words else session.track
    return session, (Show("explain", str(track)),)


def note(session: Session, words: list[str], at: str) -> Outcome:
    """What somebody said, with the place it was said at."""
    text = " ".join(words).strip()
    if not text:
        raise UsageError("Note what?", "Example: note the snare is duller than in the mix")
    act = Act(at, "note", {"text": text, **circumstances(session)})
    after = replace(session, notes=(*session.notes, act))
    return after, (Keep(act), Say(f"Noted at {format_time(session.place_s)} in track {session.track + 1}."))


def mark(session: Session, words: list[str], at: str) -> Outcome:
    """Names this moment; a name that is there moves."""
    name = " ".join(words).strip() or f"m{len(session.marks) + 1}"
    words_taken = ("here", "off", "end", "in", "out", NEXT_MARK, WORST)
    taken = kind_of(name) is not None or name.casefold() in words_taken
    if taken or parse_time(name) is not None:
        raise UsageError(f"“{name}” already means a position.", "Choose another name for the mark.")
    kept = tuple(one for one in session.marks if one.name.casefold() != name.casefold())
    made = Mark(name, session.track, session.place_s)
    act = Act(at, "mark", {"name": name, **circumstances(session)})
    said = f"Mark “{name}” at {format_time(session.place_s)} in track {session.track + 1}."
    return replace(session, marks=(*kept, made)), (Keep(act), Say(said))


def decide(session: Session, words: list[str], at: str) -> Outcome:
    """What was decided: for which destination, at what loudness and ceiling, by whom and why."""
    numbers = [i for i, word in enumerate(words) if _figure(word) is not None]
    if len(numbers) < 2 or numbers[0] == 0 or numbers[1] != numbers[0] + 1:
        raise UsageError("Give the destination, its loudness and its ceiling.", DECIDE_EXAMPLE)
    target, ceiling = (_figure(words[i]) or 0.0 for i in numbers[:2])
    if not LOWEST_TARGET_LUFS <= target <= 0.0 or not LOWEST_CEILING_DBTP <= ceiling <= 0.0:
        raise UsageError(
            f"A target can be {LOWEST_TARGET_LUFS:g} to 0 LUFS, a ceiling {LOWEST_CEILING_DBTP:g} to 0 dBTP.",
            DECIDE_EXAMPLE,
        )
    destination = " ".join(words[: numbers[0]])
    who, colon, why = " ".join(words[numbers[1] + 1 :]).partition(":")
    if not colon and who:
        who, why = "", who
    data = {
        "destination": destination,
        "target_lufs": target,
        "ceiling_dbtp": ceiling,
        "who": who.strip(),
        "why": why.strip(),
        **circumstances(session),
    }
    act = Act(at, "decision", data)
    said = f"Decided for {destination}: {level(target)} LUFS, true peak no higher than {level(ceiling)} dBTP."
    return session, (Keep(act), Say(said))


def _figure(word: str) -> float | None:
    return typed_number(word.rstrip(",;"), "lufs", "dbtp")


def replace_(session: Session, words: list[str]) -> Outcome:
    """A new revision of a track. The first word is its number; the rest is the file. Without words: the
    revision that was announced, which is then heard."""
    one = session.offered
    if not words and one is not None:
        after = replace(session, offered=None, accepted=one)
        return after, (Say(f"Loading {PurePath(one.path).name} …"), Replace(one.track, one.path))
    if len(words) < 2:
        raise UsageError("Give the track and the new file.", "replace 1 song-v2.wav")
    number = whole_number(words[0])
    if number is None or not 1 <= number <= len(session.tracks):
        raise UsageError(f"No track {words[0]}.", f"Tracks: 1 to {len(session.tracks)}.")
    path = " ".join(words[1:])
    return session, (Say(f"Measuring {path} …"), Replace(number - 1, path))


def devices(session: Session, words: list[str]) -> Outcome:
    """All devices, or play through one of them."""
    if not words:
        return session, (ListDevices(),)
    name = " ".join(words)
    return session, (ChooseDevice(None if name.casefold() == "default" else name),)


def wait(session: Session, words: list[str]) -> Outcome:
    """For scripts."""
    if len(words) != 1:
        raise UsageError("Wait how long?", "wait 2, or wait end")
    if words[0].casefold() == "end":
        if session.plan is not None and session.plan.kind == "loop" and session.motion == "playing":
            raise UsageError("A loop never ends.", "loop off, or wait 10")
        return session, (Wait(None),)
    seconds = parse_time(words[0])
    if seconds is None:
        raise UsageError(f"“{words[0]}” is not a length in seconds.", "wait 2, or wait end")
    return session, (Wait(seconds),)


def _note_in_trial(session: Session, run: Run, line: Line) -> Outcome:
    """What somebody says is kept with the round and the letter; which version that was, the trial tells."""
    text = line.text.split(maxsplit=1)[1:]
    if not text:
        raise UsageError("Note what?", "Example: note A is duller")
    round_number = trial.show(run.trial).round_number
    act = Act(line.at, "note", {"text": text[0], "trial_round": round_number, "letter": run.letter})
    after = replace(session, notes=(*session.notes, act))
    under = f", while {run.letter} plays" if run.letter else ""
    return after, (Keep(act), Say(f"Noted in round {round_number}{under}."))


def _plainly(name: str, effect: Effect) -> ActFunction:
    """The act of a command without arguments that only has an effect."""

    def act(session: Session, line: Line) -> Outcome:
        no_words(line.words, name)
        return session, (effect,)

    return act


LIST = (
    Command(
        "list",
        _plainly("list", Show("list")),
        "All tracks and levels.",
        "list",
        short=("ls",),
        record="none",
    ),
)
NOTES = (
    Command(
        "replace",
        on_words(replace_),
        "Load a new revision.",
        "replace 1 song-v2.wav",
        arguments="[TRACK FILE]",
        kinds=(("track",), ("path",)),
        record="none",  # the revision keeps itself once it is measured
    ),
    Command(
        "explain",
        on_words(explain),
        "Why this gain.",
        "explain 2",
        short=("why",),
        arguments="[TRACK]",
        kinds=(("track",),),
        record="none",
    ),
    Command(
        "note",
        on_dated_words(note),
        "Add a note at this point.",
        "note too harsh",
        arguments="TEXT",
        kinds=(("text",),),
        in_trial=_note_in_trial,
        record="own",
    ),
    Command(
        "mark",
        on_dated_words(mark),
        "Mark this point.",
        "mark chorus",
        short=("m",),
        arguments="[NAME]",
        kinds=(("text",),),
        record="own",
    ),
    Command(
        "decide",
        on_dated_words(decide),
        "Keep a target for check.",
        DECIDE_EXAMPLE,
        arguments="FOR LUFS DBTP [WHO: WHY]",
        kinds=(("text",),),
        record="own",
    ),
)
MARKS = (
    Command("marks", _plainly("marks", Show("marks")), "List marks and notes.", "marks", record="none"),
    Command("merge", _plainly("merge", Merge()), "Add a second session file.", "merge", record="none"),
)
RUNNING = (
    Command(
        "devices",
        on_words(devices),
        "List or choose outputs.",
        "devices",
        short=("device",),
        arguments="[NAME|default]",
        kinds=((Choice("default", "the system default"), "device"),),
        in_trial=True,
        record="none",
    ),
    Command(
        "wait",
        on_words(wait),
        "For scripts: play on.",
        "wait 2",
        arguments="SECONDS|end",
        kinds=(("seconds",),),
        in_trial=True,
        record="none",
    ),
)
QUIT = (
    Command(
        "quit",
        _plainly("quit", Leave()),
        "Save and leave.",
        "quit",
        short=("q", "exit"),
        in_trial=True,
        record="none",
    ),
)
