"""Offer of a trial: from the typed line to a `Run`, its levels, and what is said before it.

The passage is the loop that is set, a worst moment where one is asked for (offered where no loop is set), or
the loudest 12 s of the song, cut to what every version has, on the 100 ms grid. Before the end a worst moment
gives only its time away, so that nobody listens for a kind. All versions play in the session's state; a
version that is silent there, or cannot be matched within 0.1 LU, is refused. Levels come from the 100 ms
series in the offer and from the frames that will play before the first round: LUFS before the monitor's trim,
a mono version from two loudspeakers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from simulator.blind_test import trial
from simulator.blind_test.result import CAUTIONS, plan_sentence
from simulator.blind_test.trial import TrialKind
from simulator.common.errors import UsageError
from simulator.common.listening import STATE_WORDS
from simulator.common.text import level, whole_number
from simulator.common.units import TIE_LU, format_time
from simulator.metering.gating import ABSOLUTE_GATE_LUFS
from simulator.session.acts.level_guard import STEP_LU
from simulator.session.codec_variants import is_difference
from simulator.session.excerpts import WORST, place_of
from simulator.session.levels import (
    STEPS_PER_SECOND,
    WINDOW_SECONDS,
    Source,
    Span,
    heard_lufs,
    matching_db,
    source_of,
    span_in,
)
from simulator.session.plans import SHORTEST_LOOP_S
from simulator.session.state import Run, Session, Wanted, find_track
from simulator.session.track import versions
from simulator.session.worst import WorstMoment, worst_among

ROUNDS = {1: 16, 3: 21, 6: 48}
"""The rounds where none are named, by the number of pairs: every pair must come equally often, and with
every answer alike a preference must show (`statistics.fewest_preferences`)."""
KINDS: dict[str, TrialKind] = {"preference": "preference", "which": "discrimination"}
MOST_VERSIONS = 4
USAGE = "trial which 16, trial preference 16"


def wanted_of(session: Session, words: list[str]) -> Wanted:
    """What a line asks for: `which` or `preference`, then the rounds, then tracks; `worst` anywhere behind.
    Raises UsageError."""
    at_worst = any(word.casefold() == WORST for word in words[1:])
    words = [*words[:1], *(word for word in words[1:] if word.casefold() != WORST)]
    kind = next((KINDS[one] for one in KINDS if words and one.startswith(words[0].casefold())), None)
    if kind is None:
        problem = f"Unknown trial “{words[0]}”." if words else "Which trial?"
        raise UsageError(problem, USAGE)
    if session.wanted is not None:
        raise UsageError("Another player is still being calculated.", "Start the trial when it plays.")
    if session.state == "delivered":
        raise UsageError(
            "As delivered, the louder version would give itself away.", "state matched, or state played"
        )
    if is_difference(session.profile):
        raise UsageError("A trial compares music, not a residual.", "codec on, or hear stereo")
    if session.listen != "stereo":
        raise UsageError("A trial is heard in stereo.", "hear stereo")
    tracks = _tracks(session, kind, words[2:])
    pairs = len(tracks) * (len(tracks) - 1) // 2
    rounds = ROUNDS[pairs]
    if len(words) > 1:
        asked = whole_number(words[1])
        if asked is None:
            raise UsageError(f"“{words[1]}” is not a number of rounds.", USAGE)
        rounds = asked
    passage, reason = _passage(session, tracks, at_worst)
    return Wanted(kind, rounds, tracks, passage, reason, at_worst=at_worst)


def run_of(session: Session, wanted: Wanted) -> Run:
    """The trial before its first letter, as the session's versions lie now. Raises UsageError where it
    cannot be carried out."""
    spans = _common(session, wanted)
    profile = session.through[1]
    turned = matching_db(session.tracks, spans[0], profile) if session.state == "matched" else {}
    levels = []
    for span in spans:
        one = session.tracks[span.track]
        if profile not in one.played:
            raise UsageError(f"{one.title}: {session.profile} is not calculated yet.", f"profile {profile}")
        lufs = heard_lufs(session.tracks, span, session.state, profile, turned.get(span.track, 0.0))
        before = heard_lufs(session.tracks, span, "played", profile, 0.0)
        if lufs is None or before is None or before < ABSOLUTE_GATE_LUFS:
            raise UsageError(f"{one.title} is silent in this passage.", "Choose another: loop 1:02 1:10")
        levels.append(lufs)
    apart = max(levels) - min(levels)
    if session.state == "matched" and apart > trial.MATCHED_WITHIN_LU:
        raise UsageError(
            f"The versions still differ by {level(apart, 2)} LU here.", "Choose another passage."
        )
    plan = trial.TrialPlan(
        kind=wanted.kind,
        versions=_names(session, wanted.tracks),
        rounds=wanted.rounds,
        seed=wanted.seed,
        state=session.state,
        level_difference_lu=apart,
        passage_start_s=spans[0].start_s,
        passage_s=spans[0].end_s - spans[0].start_s,
        passage_reason=wanted.reason,
    )
    problem = trial.problem_of(plan)
    if problem:
        raise UsageError(problem, USAGE)
    sources = sources_of(session, wanted.tracks, turned)
    return Run(wanted, trial.begin(plan), spans, sources, turned)


def offer(session: Session, run: Run) -> str:
    """The screen before a trial, which asks to begin; paragraphs with line ends between them."""
    plan, instead = run.trial.plan, worst_instead(session, run.wanted)
    names = [f"“{name}”" for name in plan.versions]
    listed = f"{', '.join(names[:-1])} and {names[-1]}"
    if plan.kind == "discrimination":
        asks = f"A and B are {listed} and keep their identity throughout; X changes each round. Which is it?"
    else:
        asks = f"Which do you prefer? Each round, A and B are two of {listed}."
    behind = " through a clipping DAC" if session.converter else ""
    lines = [
        f"A blind trial. {asks}",
        f"Heard {STATE_WORDS[session.state]} by {session.profile}{behind}; {plan.passage_s:.1f} s from "
        f"{format_time(plan.passage_start_s)} ({plan.passage_reason}), looped.",
        plan_sentence(plan),
        *_warnings(session, run),
        f"{CAUTIONS[0]} Trim: {level(session.trim_db)} dB. To change it, answer n, play the passage and "
        "type trim DB.",
        *CAUTIONS[1:],
        "a, b" + (", x" if plan.kind == "discrimination" else "") + " switch at the same moment; "
        "shift-A or shift-B answers once you have heard all. No feedback until the end; trial stop ends it "
        "without a result.",
        *([f"w: the worst moment instead ({format_time(instead.at_s)})."] if instead is not None else []),
        "Start? (y/n)" if instead is None else "Start? (y/n/w)",
    ]
    return "\n".join(lines)


def _warnings(session: Session, run: Run) -> list[str]:
    """What the levels do to this trial, and to the ears."""
    said, apart = [], run.trial.plan.level_difference_lu
    if apart > TIE_LU:
        said.append(
            f"The levels differ by {level(apart)} LU on this passage: the louder one has an advantage, and "
            "the level alone may give it away. To avoid that: state matched"
        )
    loudest = max(
        heard_lufs(session.tracks, span, session.state, session.through[1], run.turned_down_db.get(i, 0.0))
        or 0.0
        for i, span in zip(run.wanted.tracks, run.spans, strict=True)
    )
    if session.heard_lufs is not None and loudest + session.trim_db - session.heard_lufs > STEP_LU:
        rise = loudest + session.trim_db - session.heard_lufs
        said.append(f"The passage is up to {level(rise)} LU louder than what you heard last.")
    return said


def _tracks(session: Session, kind: TrialKind, words: list[str]) -> tuple[int, ...]:
    group = versions(session.tracks, session.track)
    if words:
        chosen = tuple(dict.fromkeys(find_track(session, word) for word in words))
        if len({session.tracks[i].song for i in chosen}) > 1 or session.tracks[chosen[0]].song is None:
            raise UsageError("A trial compares versions of one song.", "trial which 16 1 2")
    elif session.track not in group or len(group) < 2:
        raise UsageError("This song has no other version in the list.", "A trial needs two.")
    elif kind == "discrimination" and session.other is not None:
        chosen = tuple(sorted((session.track, session.other)))
    else:
        chosen = group
    most = 2 if kind == "discrimination" else MOST_VERSIONS
    if not 2 <= len(chosen) <= most:
        wanted = "two versions" if most == 2 else "two to four versions"
        raise UsageError(f"This trial compares {wanted}, got {len(chosen)}.", "Name them: trial which 16 1 2")
    return chosen


def worst_instead(session: Session, wanted: Wanted) -> WorstMoment | None:
    """The worst moment that may be had instead of the loudest passage, where no loop is set."""
    loop = session.plan is not None and session.plan.kind == "loop"
    return None if loop or wanted.at_worst else worst_among(session, wanted.tracks)


def _passage(session: Session, tracks: tuple[int, ...], at_worst: bool) -> tuple[Span, str]:
    """The worst moment, the loop that is set, or the loudest passage."""
    if at_worst:
        worst_moment = worst_among(session, tracks)
        if worst_moment is None:
            raise UsageError("No worst moment of these versions is known.", "To look for them: go worst")
        return worst_moment.span, worst_moment.rank
    plan = session.plan
    if plan is not None and plan.kind == "loop":
        return span_in(session.tracks, session.passage, tracks[0]), "your loop"
    excerpt = place_of(session.tracks, tracks[0], "loudest", WINDOW_SECONDS)
    return excerpt.span, "the loudest passage"


def _common(session: Session, wanted: Wanted) -> tuple[Span, ...]:
    """The passage in every version, as long in each: cut where one of them begins or ends."""
    first = session.tracks[wanted.passage.track]
    shifts = [first.offset_s - session.tracks[i].offset_s for i in wanted.tracks]
    lengths = [session.tracks[i].duration_s for i in wanted.tracks]
    start = max(wanted.passage.start_s, *(0.0 - shift for shift in shifts))
    end = min(wanted.passage.end_s, *(length - shift for length, shift in zip(lengths, shifts, strict=True)))
    start = round(start * STEPS_PER_SECOND) / STEPS_PER_SECOND
    if start + min(shifts) < 0.0:
        start += 1.0 / STEPS_PER_SECOND
    steps = int((end - start) * STEPS_PER_SECOND + 1e-6)
    if steps < SHORTEST_LOOP_S * STEPS_PER_SECOND:
        raise UsageError("The versions share too little of this passage.", "Choose another: loop 1:02 1:10")
    return tuple(
        Span(i, start + shift, start + shift + steps / STEPS_PER_SECOND)
        for i, shift in zip(wanted.tracks, shifts, strict=True)
    )


def _names(session: Session, tracks: tuple[int, ...]) -> tuple[str, ...]:
    """What tells the versions from each other; with their numbers where that is nothing."""
    names = [session.tracks[i].version for i in tracks]
    if len(set(names)) == len(names):
        return tuple(names)
    return tuple(f"{i + 1} {session.tracks[i].title}" for i in tracks)


def sources_of(
    session: Session, tracks: Sequence[int], turned_down_db: Mapping[int, float]
) -> tuple[Source, ...]:
    """What sounds for each version of a trial."""
    return tuple(
        source_of(session.tracks, track, *session.through, turned_down_db.get(track, 0.0)) for track in tracks
    )


def levelled(session: Session, run: Run, levels_lufs: Sequence[float]) -> Run:
    """The trial with what each passage measured in its lane, in the order of the plan's versions; matched
    ones are turned down to the least loud of them. As it was where nothing was measured."""
    if len(levels_lufs) != len(run.sources):
        return run
    heard = [lufs + source.gain_db for lufs, source in zip(levels_lufs, run.sources, strict=True)]
    turned = dict(run.turned_down_db)
    if session.state == "matched":
        lowest = min(heard)
        for track, level in zip(run.wanted.tracks, heard, strict=True):
            turned[track] = turned.get(track, 0.0) + level - lowest
        heard = [lowest] * len(heard)
    plan = replace(run.trial.plan, level_difference_lu=max(heard) - min(heard))
    return replace(
        run,
        trial=trial.begin(plan),
        sources=sources_of(session, run.wanted.tracks, turned),
        turned_down_db=turned,
    )
