"""Level guard: nothing raises the passage's level by more than 3 LU in one step.

What is more than 3 LU louder than what was heard last begins at the level heard last and rises within 0.4 s;
down is at once. A rise of more than 12 LU is asked about first, where it comes from naming another version,
track, player, level mode or trim (inside a song it is the song's own; with next and previous, and back from a
pause or mute, it only rises), and so is a montage in which a passage is more than 3 LU louder than the one
before it. With `guard instant` a switch between versions of a song is not slowed, up to the same 12 LU.
Levels are those of the passages, trim included (the program cannot know the sound pressure). The figures are
the project's own choice.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from simulator.common.text import level
from simulator.session.acts.command import Asks, Outcome
from simulator.session.events import Effect, Output, Resume, Say, Sound
from simulator.session.state import Question, Session

STEP_LU = 3.0
ASK_LU = 12.0
RAMP_S = 0.4
EAR_RAMP_S = 2.0
"""Back from mono or side to stereo: nobody knows beforehand by how much that is louder."""


def guarded(
    before: Session, outcome: Outcome, asks: tuple[Asks, ...] = (), line: str = "", *, switch: bool = False
) -> Outcome:
    """The outcome with ramps where it rises; or, where `asks` says so, the session before with a question
    that a yes to repeats `line`. `switch`: it names another version, which may come at once."""
    after, effects = outcome
    now, last = after.output_lufs(), before.heard_lufs
    rise = 0.0 if now is None or last is None else now - last
    if "rise" in asks and rise > ASK_LU:
        return _asked(before, line, f"That is {level(rise)} LU louder than what you heard last.")
    if "steps" in asks and (later := steps_up_lu(before, after)) > STEP_LU:
        return _asked(before, line, f"One passage is {level(later)} LU louder than the one before it.")
    # The series hold the energy of both channels. From stereo to mono or side it cannot grow, since
    # 2·((L ± R)/2)² is at most L² + R²; back from either, nobody knows by how much: from silence.
    was = before.heard_listen
    if now is not None and after.listen != was and was != "stereo":
        return after, (*_ramped(after, effects, EAR_RAMP_S, None), Say(f"Fading in over {EAR_RAMP_S:g} s."))
    if rise > STEP_LU and not (switch and rise <= ASK_LU and _instant(before, after)):
        said = () if after.trial is not None else (Say(f"Rising {level(rise)} LU over {RAMP_S:g} s."),)
        effects = (*_ramped(after, effects, RAMP_S, -rise), *said)
    return after, effects


def steps_up_lu(before: Session, after: Session) -> float:
    """The greatest step upwards from one passage of a montage to the next; 0 where it goes on as it was.
    Transitions keep the levels of the album, as playing it does."""
    plan = after.plan
    was = before.plan == plan and before.state == after.state and before.profile == after.profile
    if plan is None or plan.kind != "montage" or after.motion == "stopped" or was:
        return 0.0
    spans = plan.spans[after.segment :]
    levels = [level for span in spans if (level := after.span_lufs(span)) is not None]
    steps = [later - earlier for earlier, later in pairwise(levels)]
    return max(steps, default=0.0)


def _instant(before: Session, after: Session) -> bool:
    """True where this may come at once. From one version of a song to another, at the trim that was
    confirmed."""
    confirmed, song = after.instant_trim_db, after.here.song
    return (
        confirmed is not None
        and after.trim_db <= confirmed
        and song is not None
        and song == before.here.song
        and before.motion == "playing"
    )


def _asked(before: Session, line: str, text: str) -> Outcome:
    question = Question(line, f"{text} Go on? (y/n)")
    return replace(before, question=question), ()


def _ramped(
    after: Session, effects: tuple[Effect, ...], ramp_s: float, from_db: float | None
) -> tuple[Effect, ...]:
    """The same effects, in over `ramp_s`. After a pause or a change of channels the program is started
    again: of a gain set low and then raised within one block, the deck would only see the last."""
    effects = tuple(
        replace(effect, ramp_s=ramp_s, ramp_from_db=from_db)
        if isinstance(effect, Sound)
        else replace(effect, ramp_s=ramp_s)
        if isinstance(effect, Output)
        else effect
        for effect in effects
    )
    wakes = from_db is None or any(isinstance(effect, Resume) for effect in effects)
    if wakes and not any(isinstance(effect, Sound) for effect in effects):
        entering = Sound(after.program(), after.segment, after.place_s, True, ramp_s, from_db)
        effects = (entering, *effects)
    return effects
