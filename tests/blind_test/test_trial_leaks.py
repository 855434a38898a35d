"""Does anything before the reveal tell which version sounds? The same trial with the versions exchanged.

Everything that a listener could read, see or time is gathered: the words, the kinds of effects and their
ramps, what is kept, the toolbar's values and its lines, the completions. Only what sounds may differ.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest
from support.fake_player import FakePlayer
from support.made_session import Desk, session

from simulator.deck.interface import Now
from simulator.desk.completion import candidates
from simulator.desk.live_view import DeskStage, bar_of
from simulator.metering.meter import Reading
from simulator.session.acts.level_guard import RAMP_S, STEP_LU
from simulator.session.events import (
    DeviceFound,
    DeviceLost,
    Event,
    Keep,
    Output,
    Prepared,
    Pressed,
    Sound,
    Tick,
    Typed,
)
from simulator.session.session import opened, step
from simulator.session.state import Session
from simulator.session.track import PlayedView
from simulator.text.desk.stage import SCREEN_COLUMNS, place_json, scene_json, stage_lines
from simulator.text.desk.status_bar import toolbar_lines

TRIED = (
    "list", "explain", "state", "profile untouched", "swap 1", "swap 2", "round", "go 5", "marks", "mark q",
    "note it is the same", "decide radio -14 -1", "dim", "dim", "mute", "mute", "pause", "pause", "play 2",
    "trim 0", "trim -14", "help", "help trial", "loop off", "hear mono", "trial which 4", "nonsense",
    "answer X",
)  # fmt: skip


def limited() -> Session:
    """As played, the crushed version has a lane of its own, as a player that limits makes one."""
    made = []
    for track in session().tracks:
        played = track.played.get("minus14-headroom")
        own = (
            {}
            if played is None
            else {"minus14-headroom": PlayedView(played.prediction, "crushed" in track.title)}
        )
        made.append(replace(track, played={**track.played, **own}))
    return replace(session(), tracks=tuple(made))


def unequal() -> Session:
    """The versions have times and sample rates of their own."""
    first, second, *others = session().tracks
    assert second.delivered is not None
    rate, frames = 2 * second.delivered.sample_rate, 2 * second.delivered.frames
    other = replace(second.delivered, sample_rate=rate, frames=frames)
    return replace(session(), tracks=(first, replace(second, offset_s=-3.3, delivered=other), *others))


def gathered(start: Session, state: str, kind: str, seed: int) -> list[object]:
    """All that could be noticed from the first round to the last answer but one, in order."""
    desk = Desk(start)
    desk.do(f"state {state}")
    desk.do(f"trial {kind} 3 1 2")
    desk.do(Typed("y", "at 1", seed))
    seen: list[object] = []
    stages = DeskStage()

    def do(event: Event | str) -> None:
        desk.do(event)
        for effect in desk.effects:
            act = effect.act if isinstance(effect, Keep) else None
            kept = None if act is None else (act.kind, act.data.get("line"), act.data.get("trial_round"))
            words = getattr(effect, "text", None)
            ramp = getattr(effect, "ramp_s", None), getattr(effect, "ramp_from_db", None) is None
            follow = getattr(effect, "follow", None)
            seen.append(
                (type(effect).__name__, words, ramp, follow, kept, act is not None and "path" in act.data)
            )
        reading = Reading(-10.0 - desk.session.track, -12.0 - desk.session.track, -1.0 - desk.session.track)
        bar = bar_of(desk.session, FakePlayer("device"), Now(playing=True), reading, 0)
        seen.append((bar, [toolbar_lines(bar, width) for width in (40, 80, 120)]))
        stage = stages.look(desk.session, bar, 73)
        assert not stage.curves
        seen.append([stage_lines(stage, *size) for size in ((80, 10), (140, 18))])
        beside = stages.look(desk.session, bar, SCREEN_COLUMNS)
        seen.append(("beside", scene_json(beside), place_json(beside)))
        seen.append(candidates(desk.session, "") + candidates(desk.session, "swap "))

    do(Prepared(at="at 2"))
    for number in range(3):
        for letter in "abx" if kind == "which" else "ab":
            do(letter)
            for _ in range(8):
                desk_plan = desk.session.plan
                assert desk_plan is not None
                begin = desk_plan.spans[0].start_s
                do(Tick(0, begin + (desk.session.place_s - begin + 0.43) % 12.0))
            for line in TRIED if letter == "b" else ():
                do(line)
            for key in ("swap", "state", "go loudest", "answer? A", "pick 2", "nudge +1", "dim", "dim"):
                do(Pressed(key))
            do(DeviceLost("It is gone.", "at 3"))
            do(DeviceFound("", "at 4"))
            do(letter)
            for _ in range(4):
                do(Tick(0, desk.session.place_s + 0.43))
        if number < 2:
            do("answer A")
    return seen


@pytest.mark.parametrize("start", [session, limited, unequal], ids=["plain", "limited", "offset"])
@pytest.mark.parametrize("state", ["played", "matched"])
@pytest.mark.parametrize("kind", ["which", "preference"])
def test_nothing_but_the_sound_differs_when_the_versions_are_exchanged(
    start: Callable[[], Session], state: str, kind: str
) -> None:
    one = start()
    first, second, *others = one.tracks
    # offsets are told from the song's first version, which is another one after the exchange
    swapped = (replace(second, offset_s=0.0), replace(first, offset_s=0.0 - second.offset_s), *others)
    plain, exchanged = (gathered(each, state, kind, 5) for each in (one, replace(one, tracks=swapped)))
    assert len(plain) > 300
    for mine, other in zip(plain, exchanged, strict=True):
        assert mine == other


@pytest.mark.parametrize("kind", ["which", "preference"])
def test_another_seed_draws_otherwise_and_reads_the_same(kind: str) -> None:
    runs = [gathered(session(), "matched", kind, seed) for seed in (1, 2)]
    assert runs[0] == runs[1]


ACTS = (
    "play", "play 2", "go 25", "swap", "state delivered", "state played", "state matched", "trim -30",
    "trim 0", "dim", "mute", "pause", "y", "n", "a", "b", "x", "answer a", "trial which 4 1 2",
    "trial preference 2 1 2",
    "trial stop", "loop 3 9", "stop", "a", "b", "y",
)  # fmt: skip


def test_in_trials_no_switch_has_a_fade_and_around_them_the_guard_holds() -> None:
    """Random acts, the prepared lanes among them. A rise past 3 LU that no letter made comes in over the
    guard's ramp; letters come at once, whichever way the level goes."""
    chance, within = random.Random(5), 0
    for _ in range(180):
        now, _effects = opened(session(), -12.0, "")
        for _ in range(40):
            act = chance.choice((*ACTS, "tick", "prepared"))
            if act == "tick":
                now, _effects = step(now, Tick(now.segment, chance.uniform(0.0, 59.0)))
                continue
            last, letter = now.heard_lufs, now.trial is not None and act in ("a", "b", "x")
            after, effects = step(now, Prepared() if act == "prepared" else Typed(act, "", 7))
            level = after.output_lufs()
            within += letter and after.motion == "playing"
            ramps = [one.ramp_s for one in effects if isinstance(one, Sound | Output)]
            if letter:
                assert not any(ramps)
            elif last is not None and level is not None and level - last > STEP_LU:
                assert ramps, (act, last, level)
                assert max(ramps) == RAMP_S
            now = after
    assert within > 20


def test_what_is_said_before_the_reveal_never_names_a_version() -> None:
    for seed in range(2):
        words = [
            one[1]
            for one in gathered(session(), "matched", "which", seed)
            if isinstance(one, tuple) and one[1]
        ]
        for text in words:
            assert "open" not in str(text).casefold()
            assert "crushed" not in str(text).casefold()
        assert len(words) > 50
