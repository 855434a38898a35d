"""Blind trial as steps of the session, from the offer to the reveal.

While a trial runs every line and key comes here. Answers depend on the plan, the round and the letters heard,
never on which version plays; a command that would tell is refused, one that would change the sound waits for
the end. Every switch is the deck's 5 ms out and in at the same moment, up or down. A letter counts as heard
after a second of playing, unmuted.

The act "trial" holds the whole trial as a log that replays, with its player and trim. One that was ended
before its last answer gives no result.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from simulator.blind_test import trial as trials
from simulator.blind_test.result import DiscriminationResult, result, result_sentences
from simulator.blind_test.trial import Trial, to_log
from simulator.common.errors import UsageError
from simulator.common.text import level
from simulator.common.units import TIE_LU
from simulator.session import events
from simulator.session.acts.command import REFUSED, Choice, Command, Line, Outcome
from simulator.session.acts.level_guard import guarded
from simulator.session.acts.now_playing import what_plays
from simulator.session.acts.trial_offer import levelled, offer, run_of, wanted_of, worst_instead
from simulator.session.excerpts import WORST
from simulator.session.log import BEGUN, TRIAL, Act, answer_act, begun_data
from simulator.session.plans import Plan
from simulator.session.state import HEARD_SECONDS, TICK_AT_MOST_S, Question, Run, Session
from simulator.session.worst import estimate, estimate_words

EARLY = "Trial ended early, after {given} of {rounds} rounds: no result."


def sentences(trial: Trial, expected: Mapping[str, Any] | None = None) -> list[str]:
    """The reveal, in reading order; `expected` is the model's estimate of the passage."""
    plan, said = trial.plan, []
    if plan.kind == "discrimination":
        first, second = (plan.versions[i] for i in (trial.draws[0].first, trial.draws[0].second))
        said.append(f"A was “{first}”, B was “{second}”.")
    if not trial.finished:
        return [*said, EARLY.format(given=len(trial.answers), rounds=len(trial.draws))]
    outcome = result(trial)
    said += result_sentences(plan, outcome)
    if expected is not None:
        right = "it does not predict a preference"
        if isinstance(outcome, DiscriminationResult):
            right = f"you were right {outcome.correct} of {outcome.rounds} times"
        said.append(f"{estimate_words(expected)}; {right}.")
    if plan.kind == "discrimination" and plan.level_difference_lu > TIE_LU:
        said.append(
            f"The levels differed by {level(plan.level_difference_lu)} LU here, which alone may have given "
            "them away."
        )
    return said


def setting(session: Session, run: Run) -> dict[str, Any]:
    """On which files, through which player and at which trim a trial is heard, and what the model of
    audibility expects of the passage, where that is known."""
    expected = estimate(session.changes, session.tracks, run.spans)
    return {
        "tracks": [
            {"track": i + 1, "title": session.tracks[i].title, "path": session.tracks[i].path}
            for i in run.wanted.tracks
        ],
        "profile": session.profile,
        "converter": session.converter,
        "trim_db": session.trim_db,
        **({} if expected is None else {"estimate": expected}),
    }


LETTERS: dict[str, trials.Letter] = {"a": "A", "b": "B", "x": "X"}
OFFER = "answer?"
"""What a key says: the answer counts once the same key, or y, confirms it."""
WAITING = "Preparing the versions; the trial starts by itself. trial stop cancels it."
TICK_SLACK_S = 0.05


def asked(session: Session, line: Line) -> Outcome:
    """The line `trial …` outside of a trial: the offer, and after the yes the order to make all ready.
    Raises UsageError where it cannot be carried out."""
    words = line.words
    if words and words[0].casefold() == "stop":
        raise UsageError("No trial is running.", "trial which 16")
    run = run_of(session, replace(wanted_of(session, words), seed=line.seed))
    if not line.confirmed:
        others = {} if worst_instead(session, run.wanted) is None else {"w": f"{line.text} {WORST}"}
        return replace(session, question=Question(line.text, offer(session, run), others)), ()
    quiet: tuple[events.Effect, ...] = (events.Pause(),) if session.motion == "playing" else ()
    motion = "paused" if session.motion == "playing" else session.motion
    say = events.Say("Preparing the versions, so that every switch takes the same time …")
    after = replace(session, trial=run, motion=motion, awaited="")
    return after, (*quiet, say, events.Prepare(run.sources, run.spans))


def during(
    session: Session,
    run: Run,
    event: events.Event,
    find_command: Callable[[str], Command],
) -> Outcome | None:
    """What an event does while a trial is on; None where it does what it always does. What commands there
    are is the table's (`session.commands`)."""
    match event:
        case events.Typed():
            return _line(session, run, Line(event.line.strip(), event.at), find_command)
        case events.Pressed():
            return _line(session, run, Line(event.key, event.at), find_command)
        case events.Tick():
            return _ticked(session, run, event)
        case events.Prepared():
            return _prepared(session, run, event)
        case events.Predicted() | events.Replaced() | events.Aligned() | events.MomentsFound():
            if not run.ready:
                return None
            return replace(session, trial=replace(run, later=(*run.later, event))), ()
        case events.DeviceLost() | events.DeviceFound() | events.Revised() | events.Merged():
            return None


def _prepared(session: Session, run: Run, event: events.Prepared) -> Outcome:
    """All lanes are there: the first round. What came meanwhile may have changed the versions."""
    if run.ready:
        return session, ()
    if event.problem:
        return replace(session, trial=None), (events.Say(f"No trial: {event.problem}"),)
    try:
        fresh = run_of(session, run.wanted)
    except UsageError as problem:
        return replace(session, trial=None), (events.Say(f"No trial: {problem}"),)
    if (fresh.sources, fresh.spans) != (run.sources, run.spans):
        return replace(session, trial=fresh), (events.Prepare(fresh.sources, fresh.spans),)
    fresh = levelled(session, fresh, event.levels_lufs)
    after = replace(session, trial=replace(fresh, ready=True))
    begun = {**begun_data(fresh.trial), **setting(session, fresh)}
    return after, (events.Keep(Act(event.at, BEGUN, begun)), events.Say(_next_round(fresh)))


def _line(session: Session, run: Run, line: Line, find_command: Callable[[str], Command]) -> Outcome:
    """A line or a key during the trial."""
    words = line.text.casefold().split()
    if not words:
        return session, ()
    try:
        if words[0] == OFFER:
            return _offered(session, run, words[1], line.at)
        run = replace(run, offered=None)
        session = replace(session, trial=run)
        if len(words) == 1 and words[0] in LETTERS:
            return _letter(session, run, LETTERS[words[0]])
        if words[0] == "answer" or (words[0] == "pick" and words[1:2] and words[1] in LETTERS):
            return _answered(session, run, words[1:], line.at)
        return _carried_out(session, run, line, find_command(line.word))
    except UsageError as problem:
        return session, (events.Say(str(problem)),)


def _carried_out(session: Session, run: Run, line: Line, command: Command) -> Outcome:
    """A command other than an answer, as its entry allows. Its act does not name what plays, and
    leaving ends the trial."""
    match command.in_trial:
        case False:
            raise UsageError(REFUSED)
        case True:
            outcome = command.act(session, line)
        case act:
            outcome = act(session, run, line)
    if any(isinstance(effect, events.Leave) for effect in outcome[1]):
        after, effects = _over(session, run, line.at)
        return after, (*effects, *outcome[1])
    if command.record == "own":
        return outcome
    after, effects = guarded(session, outcome)
    if command.record == "none":
        return after, effects
    round_number = trials.show(run.trial).round_number
    return after, (
        *effects,
        events.Keep(Act(line.at, command.name, {"line": line.text, "trial_round": round_number})),
    )


def _letter(session: Session, run: Run, letter: trials.Letter) -> Outcome:
    """Switches to a letter at the same moment of the passage."""
    if not run.ready:
        raise UsageError(WAITING)
    if letter not in trials.show(run.trial).letters:
        raise UsageError("This trial has no X.", "a or b")
    if session.mute:
        raise UsageError("The output is muted.", "mute unmutes it")
    index = trials.version_of(run.trial, letter)
    span = run.spans[index]
    place_s = span.start_s
    if run.started and session.plan is not None:
        into = session.place_s - session.plan.spans[0].start_s
        place_s = min(max(span.start_s + into, span.start_s), span.end_s)
    after = replace(
        session,
        trial=replace(run, started=True, letter=letter, listened_s=0.0),
        plan=Plan("loop", (span,)),
        segment=0,
        track=span.track,
        place_s=place_s,
        turned_down_db=run.turned_down_db,
        motion="playing",
    )
    wake: tuple[events.Effect, ...] = () if session.motion == "playing" else (events.Resume(),)
    sound = events.Sound(after.program(), 0, place_s, run.started)
    return after, (sound, *wake, events.Say(f"Playing {letter}."))


def _answered(session: Session, run: Run, words: list[str], at: str) -> Outcome:
    """Takes an answer, and goes to the next round or to the reveal."""
    if not run.ready:
        raise UsageError(WAITING)
    letter = words[0].upper() if len(words) == 1 else ""
    problem = trials.refusal(run.trial, letter)
    if problem and run.letter and run.letter not in trials.show(run.trial).heard:
        problem += f" Play {run.letter} for at least {HEARD_SECONDS:.0f} s."
    if problem:
        raise UsageError(problem)
    given: trials.Letter = "A" if letter == "A" else "B"
    answered = replace(run, trial=trials.answer(run.trial, given), letter=None, listened_s=0.0, offered=None)
    if answered.trial.finished:
        return _over(session, answered, at)
    kept = events.Keep(answer_act(at, answered.trial, given))
    return replace(session, trial=answered), (kept, events.Say(f"Answer taken. {_next_round(answered)}"))


def _offered(session: Session, run: Run, word: str, at: str) -> Outcome:
    """An answer by key: shown first, taken once it is confirmed."""
    if run.offered is not None and word in ("y", run.offered.casefold()):
        return _answered(session, replace(run, offered=None), [run.offered], at)
    if word not in ("a", "b"):
        return session, ()
    problem = WAITING if not run.ready else trials.refusal(run.trial, word.upper())
    if problem:
        raise UsageError(problem)
    letter = LETTERS[word]
    say = events.Say(f"Answer {letter}? Press {letter} again, or y, to confirm.")
    return replace(session, trial=replace(run, offered=letter)), (say,)


def _next_round(run: Run) -> str:
    screen = trials.show(run.trial)
    letters = ", ".join(letter.lower() for letter in screen.letters)
    asks = "Which one is X?" if screen.kind == "discrimination" else "Which do you prefer?"
    return f"Round {screen.round_number} of {screen.rounds}: {letters}. {asks}"


def _ticked(session: Session, run: Run, event: events.Tick) -> Outcome:
    """The deck's word: silent, whatever it says; a letter that has sounded long enough counts as heard."""
    after = replace(session, dropouts=event.dropouts)
    if not run.started or session.motion != "playing":
        return after, ()
    moved = event.place_s - session.place_s
    after = replace(after, place_s=event.place_s)
    if run.letter is None or session.mute or session.trouble:
        return after, ()
    listened = run.listened_s + min(max(moved, 0.0), TICK_AT_MOST_S)
    run = replace(run, listened_s=listened)
    if run.letter is not None and listened >= HEARD_SECONDS - TICK_SLACK_S:
        run = replace(run, trial=trials.hear(run.trial, run.letter))
    return replace(after, trial=run), ()


def _over(session: Session, run: Run, at: str) -> Outcome:
    """The end of a trial, by its last answer or before it: revealed and kept."""
    after = replace(session, trial=None)
    if not run.ready:
        return after, (events.Say("Trial cancelled."),)
    said = sentences(run.trial, estimate(after.changes, after.tracks, run.spans))
    data = {
        "trial": to_log(run.trial),
        "ended_early": not run.trial.finished,
        "result": said,
        **setting(after, run),
    }
    on = [events.Say(what_plays(after))] if after.motion == "playing" else []
    return after, (events.Keep(Act(at, TRIAL, data)), events.Say("\n".join(said)), *on)


def _stop_in_trial(session: Session, run: Run, line: Line) -> Outcome:
    """`trial stop` ends it; another one cannot be begun."""
    if [word.casefold() for word in line.words] != ["stop"]:
        raise UsageError(REFUSED)
    return _over(session, run, line.at)


COMMANDS = (
    Command(
        "trial",
        asked,
        "Start a blind trial.",
        "trial which 16",
        arguments="which|preference|stop [ROUNDS] [worst]",
        kinds=(
            (
                Choice("which", "is X A or B?"),
                Choice("preference", "which do you prefer?"),
                Choice("stop", "end it without a result"),
            ),
            ("text",),
            ("track",),
        ),
        in_trial=_stop_in_trial,
        trial_line="trial stop",
        record="own",
    ),
)
