"""Level guard: nothing raises the passage's level by more than 3 dB in one step.

A rise of more than 3 dB comes in over 2 s. One of more than 10 dB is asked about first, where it comes from
naming another version, track, player, state or trim (inside a song it is the song's own; with next and
previous, and back from a pause or mute, it only rises slowly), and so is a round in which a passage stands
more than 3 dB above the one before it. Levels are those of the passages, trim included (the program cannot
know the sound pressure). The figures are the project's own choice.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from simulator.common.numbers import level
from simulator.session.acts.command import Asks, Outcome
from simulator.session.effects import Effect, Output, Resume, Sound
from simulator.session.state import Question, Session

STEP_DB = 3.0
ASK_DB = 10.0
RAMP_S = 2.0


def guarded(before: Session, outcome: Outcome, asks: tuple[Asks, ...] = (), line: str = "") -> Outcome:
    """The outcome with ramps where it rises; or, where `asks` says so, the session before with a question
    that a yes to repeats `line`."""
    after, effects = outcome
    rise = _rise_db(before, after)
    if "rise" in asks and rise > ASK_DB:
        return _asked(before, line, f"That is {level(rise)} LU louder than what you heard last.")
    if "steps" in asks and (later := steps_up_lu(before, after)) > STEP_DB:
        return _asked(before, line, f"One passage is {level(later)} LU louder than the one before it.")
    # The series hold the energy of both channels. From stereo to mono or difference it cannot grow, since
    # 2·((L ± R)/2)² is at most L² + R²; back from either, nobody knows by how much: always slowly.
    was = before.heard_listen
    other_ear = after.output_lufs() is not None and after.listen != was and was != "stereo"
    if rise > STEP_DB or other_ear:
        effects = _ramped(after, effects, other_ear)
    return after, effects


def steps_up_lu(before: Session, after: Session) -> float:
    """The greatest step upwards from one passage of a round or of transitions to the next."""
    plan = after.plan
    if plan is None or plan.kind not in ("montage", "transitions") or after.motion == "stopped":
        return 0.0
    spans = plan.spans[after.segment :]
    found = [level for span in spans if (level := after.span_lufs(span)) is not None]
    steps = [later - earlier for earlier, later in pairwise(found)]
    was = before.plan == plan and before.state == after.state and before.profile == after.profile
    return 0.0 if was or plan.kind == "transitions" else max(steps, default=0.0)


def _rise_db(before: Session, after: Session) -> float:
    now, last = after.output_lufs(), before.heard_lufs
    return 0.0 if now is None or last is None else now - last


def _asked(before: Session, line: str, text: str) -> Outcome:
    question = Question(line, f"{text} Go on? (y/n)")
    return replace(before, question=question), ()


def _ramped(after: Session, effects: tuple[Effect, ...], other_ear: bool) -> tuple[Effect, ...]:
    """The same effects, in over RAMP_S. What comes back from a pause, or to other ears, enters
    anew: of a gain set low and then raised within one block, the deck hears the last word only."""
    effects = tuple(
        replace(one, ramp_s=RAMP_S) if isinstance(one, Sound | Output) else one for one in effects
    )
    wakes = other_ear or any(isinstance(one, Resume) for one in effects)
    if wakes and not any(isinstance(one, Sound) for one in effects):
        effects = (Sound(after.program(), after.segment, after.place_s, True, RAMP_S), *effects)
    return effects
