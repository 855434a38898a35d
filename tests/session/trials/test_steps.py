"""Blind trials at the desk as whole transcripts: offered, prepared, answered, told, kept, replayed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk, session, view
from support.made_session import song as made_song

from simulator.blind_test.trial import replay, to_log
from simulator.session.events import (
    DeviceLost,
    Keep,
    Leave,
    Output,
    Pause,
    Prepare,
    Prepared,
    Pressed,
    Replaced,
    Resume,
    Say,
    Sound,
    Typed,
)
from simulator.session.log import Act
from simulator.session.state import Session

SEED = 11


def four_versions() -> Session:
    """Four versions of one song; the last one has two seconds more before its start."""
    made = [
        replace(view(f"Song ({name})", made_song(levels, peak), song_key="song"), offset_s=offset)
        for name, levels, peak, offset in (
            ("open", [-20.0, -10.0, -20.0], -1.0, 0.0),
            ("loud", [-9.0, -7.2, -9.0], 0.5, 0.0),
            ("middle", [-14.0, -9.0, -14.0], -0.5, 0.0),
            ("late", [-14.0, -8.0, -14.0], -0.2, -2.0),
        )
    ]
    return replace(session(), tracks=tuple(made))


def begun(line: str, start: Session | None = None, *, state: str = "matched", seed: int = SEED) -> Desk:
    """A desk in the first round of a trial."""
    desk = Desk(start)
    desk.do(f"state {state}")
    desk.do(line)
    assert desk.session.question is not None
    desk.do(Typed("y", "at 1", seed))
    desk.do(Prepared(at="at 2"))
    assert desk.session.trial is not None
    assert desk.session.trial.ready
    return desk


def listen(desk: Desk, seconds: float = 1.2) -> None:
    """Lets what plays go on, in the deck's ticks."""
    for _ in range(round(seconds * 10)):
        desk.at(desk.session.place_s + 0.1)


def hear(desk: Desk, letters: str) -> None:
    for letter in letters:
        desk.do(letter)
        listen(desk, 1.2)


def kept(desk: Desk, kind: str) -> list[Act]:
    return [one.act for one in desk.found(Keep) if one.act.kind == kind]


def truth(desk: Desk, letter: str) -> int:
    """The track under a letter, as the deck is told."""
    desk.do(letter)
    (sound,) = desk.found(Sound)
    (segment,) = sound.program.segments
    return segment.source.track


# --- The offer ---------------------------------------------------------------------------------------------


def test_the_offer_tells_what_will_be_done_the_level_and_the_cautions_and_waits_for_a_yes() -> None:
    desk = Desk()
    desk.do("state matched")
    said = desk.do("trial which 16 1 2")
    for part in (
        "A and B are “open” and “crushed”",
        "12.0 s from 0:20.0 (the loudest passage), looped",
        "16 rounds: 12 right answers show a difference",  # exact binomial: P(X >= 12 of 16) = 0.0384
        "Set the level now",
        "Trim: −12.0 dB",
        "Take a break after about ten minutes",
        "Local safety rules apply",
        "trial stop ends it without a result",
    ):
        assert part in said
    assert said.endswith("Start? (y/n)")
    assert desk.session.trial is None
    assert desk.do("n") == "Nothing changed."
    assert not desk.effects[1:]


@pytest.mark.parametrize(("state", "line", "why"), [
    ("delivered", "trial which", "As delivered, the louder version would give itself away."),
    ("matched", "trial taste", "Unknown trial “taste”."),
    ("matched", "trial which many", "“many” is not a number of rounds."),
    ("matched", "trial which 16 1 3", "A trial compares versions of one song."),
    ("matched", "trial which 16 1", "This trial compares two versions, got 1."),
    ("matched", "trial which 0", "1 to 200 rounds, got 0"),
    ("matched", "trial stop", "No trial is running."),
    ("matched", "trial which 16 4", "Track 4 cannot be played: It is not there."),
])  # fmt: skip
def test_what_cannot_be_tried_is_said_before_anything_is_made(state: str, line: str, why: str) -> None:
    desk = Desk()
    desk.do(f"state {state}")
    assert why in desk.do(line)
    assert desk.session.question is None
    assert not desk.found(Prepare)


def test_three_versions_need_every_pair_equally_often() -> None:
    desk = Desk(four_versions())
    desk.do("state matched")
    assert "choose 15 or 18 rounds, not 16" in desk.do("trial preference 16 1 2 3")


def test_a_passage_that_is_silent_in_one_version_is_refused() -> None:
    silent = view("Song (empty)", made_song([-20.0, -150.0, -20.0], -1.0), song_key="song")
    desk = Desk(replace(session(), tracks=(session().tracks[0], silent)))
    desk.do("state matched")
    assert "Song (empty) is silent in this passage." in desk.do("trial which 16")


# --- Whole trials -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("right", [True, False])
def test_a_discrimination_trial_from_the_first_letter_to_the_reveal(right: bool) -> None:
    desk, answers = begun("trial which 6"), []
    for number in range(1, 7):
        assert desk.do("answer A").startswith("Play A and B and X first") if number == 1 else True
        tracks = {letter: truth(desk, letter) for letter in "abx"}
        assert tracks["x"] in (tracks["a"], tracks["b"])
        assert tracks["a"] != tracks["b"]
        hear(desk, "abx")
        answers.append("A" if (tracks["x"] == tracks["a"]) == right else "B")
        said = desk.do(f"answer {answers[-1]}")
        if number < 6:
            assert said == f"Answer taken. Round {number + 1} of 6: a, b, x. Which one is X?"
    assert said.startswith("A was “")
    assert ("6 of 6 right (p = 0.0156): the listener can tell them apart." in said) == right  # 2^-6 = 0.0156
    assert ("0 of 6 right" in said) != right
    assert "no difference" not in said
    (act,) = kept(desk, "trial")
    assert desk.session.trial is None
    assert list(act.data["trial"]["answers"]) == answers
    assert act.data["trial"]["plan"]["seed"] == SEED
    assert to_log(replay(act.data["trial"])) == act.data["trial"]
    assert not act.data["ended_early"]


@pytest.mark.parametrize(("names", "rounds"), [("1 2", 8), ("1 2 3", 18), ("1 2 3 4", 18)])
def test_a_preference_trial_offers_every_pair_equally_often(names: str, rounds: int) -> None:
    desk = begun(f"trial preference {rounds} {names}", four_versions())
    pairs: dict[frozenset[int], int] = {}
    for _ in range(rounds):
        pair = frozenset({truth(desk, "a"), truth(desk, "b")})
        pairs[pair] = pairs.get(pair, 0) + 1
        hear(desk, "ab")
        said = desk.do("answer A" if truth(desk, "a") == 0 or truth(desk, "b") != 0 else "answer B")
    versions = len(names.split())
    assert len(pairs) == versions * (versions - 1) // 2
    assert len(set(pairs.values())) == 1
    assert "level-matched on this passage; the levels differed by 0.0" in said
    if versions == 2:
        assert "open 8, loud 0 of 8 (p = 0.0078" in said  # two-sided: 2·2^-8
        assert "open was preferred" in said
    else:
        assert "Holm's correction" in said
    (act,) = kept(desk, "trial")
    assert [one["track"] for one in act.data["tracks"]] == list(range(1, versions + 1))


def test_the_later_version_keeps_its_own_time_and_every_letter_its_place_in_the_music() -> None:
    desk = begun("trial preference 6 1 2 3 4", four_versions())
    seen = set()
    for _ in range(6):
        for letter in "ab":
            desk.do(letter)
            (sound,) = desk.found(Sound)
            (segment,) = sound.program.segments
            track = segment.source.track
            seen.add(track)
            assert sound.program.repeat
            assert segment.start_s == pytest.approx(20.0 + (2.0 if track == 3 else 0.0))
            assert segment.end_s - segment.start_s == pytest.approx(12.0)
            assert sound.place_s - segment.start_s == pytest.approx(desk.session.place_s - segment.start_s)
            listen(desk)
        desk.do("answer A")
    assert seen == {0, 1, 2, 3}


def test_as_matched_the_versions_are_level_within_a_tenth() -> None:
    desk = begun("trial preference 6 1 2 3 4", four_versions())
    run = desk.session.trial
    assert run is not None
    assert run.trial.plan.level_difference_lu <= 0.1
    levels = []
    for _ in range(6):
        for letter in "ab":
            hear(desk, letter)
            levels.append(desk.session.span_lufs(desk.session.passage) or 0.0)
        desk.do("answer A")
    assert max(levels) - min(levels) <= 0.1


def test_as_played_a_louder_version_is_named_an_advantage_and_no_switch_has_a_fade() -> None:
    """On its loudest passage the open one plays at −10.0, the crushed one at −12.9 LUFS."""
    desk = Desk()
    desk.do("state played")
    assert "The levels differ by 2.9 LU on this passage" in desk.do("trial preference 2 1 2")
    desk.do("n")
    desk.do("loop 2 12")  # the verse: −20.0 against −14.7
    said = desk.do("trial preference 2 1 2")
    assert "The levels differ by 5.3 LU on this passage: the louder one has an advantage" in said
    desk.do(Typed("y", "at 1", SEED))
    desk.do(Prepared(at="at 2"))
    for letter in "abab":
        desk.do(letter)
        (sound,) = desk.found(Sound)
        assert sound.ramp_s == 0.0
        listen(desk, 1.2)
    desk.do("answer A")
    hear(desk, "ab")
    said = desk.do("answer A")
    assert "the levels differed by 5.35 LU: the louder one has an advantage." in said


# --- What is allowed during one, and what is not -----------------------------------------------------------


@pytest.mark.parametrize("line", [
    "list", "explain", "explain 1", "state", "state delivered", "profile untouched", "dac on", "swap",
    "swap 2", "play 2", "next", "previous", "go 30", "go loudest", "round", "transitions", "loop off",
    "mark q", "marks", "hear mono", "replace 1 other.wav", "decide radio -16 -1", "trial which 4",
    "devices 2",
])  # fmt: skip
def test_what_could_tell_or_change_the_sound_is_refused_with_a_sentence(line: str) -> None:
    desk = begun("trial which 6")
    hear(desk, "ab")
    before = desk.session
    said = desk.do(line)
    if line != "devices 2":
        assert said.startswith("Not during a trial")
        assert not desk.found(Keep)
    assert not desk.found(Sound)
    assert desk.session == before


def test_the_client_may_say_something_at_any_time_and_it_is_kept() -> None:
    desk = begun("trial which 6")
    desk.do("b")
    assert desk.do("note  this one is duller") == "Noted in round 1, while B plays."
    (act,) = kept(desk, "note")
    assert act.data.items() >= {"text": "this one is duller", "trial_round": 1, "letter": "B"}.items()
    assert not {"track", "title", "path"} & set(act.data)
    assert desk.session.notes[-1].data["text"] == "this one is duller"
    assert desk.do("note") == "Note what? Example: note A is duller"


def test_pause_dim_and_mute_are_free_but_no_trim() -> None:
    desk = begun("trial which 6")
    desk.do("a")
    desk.do("pause")
    assert desk.found(Pause)
    listen(desk, 5.0)
    desk.do("pause")
    assert desk.found(Resume)
    for line in ("dim", "dim", "mute"):
        desk.do(line)
        assert desk.found(Output)
    assert "muted" in desk.do("b")
    desk.do("mute")
    for line in ("trim -20", "trim -3", "trim x"):
        assert "stays where it is until the trial ends" in desk.do(line)
    assert "−12.0 dB" in desk.do("trim")
    assert desk.session.trim_db == -12.0


def test_every_key_that_could_tell_is_refused_as_its_line_is() -> None:
    desk = begun("trial which 6")
    hear(desk, "ab")
    for key in ("go loudest", "swap", "state", "pick 1", "nudge +1", "loop in"):
        assert desk.do(Pressed(key)).startswith("Not during a trial"), key


def test_an_answer_before_a_letter_has_sounded_for_its_time_says_how_long_that_is() -> None:
    desk = begun("trial preference 2 1 2")
    desk.do("a")
    listen(desk, 0.5)
    assert desk.do("answer A") == (
        "Play A and B first: you can answer once you have heard all. Play A for at least 1 s."
    )
    listen(desk, 2.0)
    desk.do("b")
    listen(desk, 0.5)
    assert desk.do("answer A").endswith("Play B for at least 1 s.")


def test_what_was_muted_paused_or_only_touched_was_not_heard() -> None:
    desk = begun("trial preference 2 1 2")
    desk.do("a")
    listen(desk, 0.6)
    desk.do("b")
    listen(desk)
    assert desk.do("answer A") == "Play A first: you can answer once you have heard all."
    desk.do("a")
    desk.do("pause")
    listen(desk, 4.0)
    assert desk.do("answer A").startswith("Play A first")
    desk.do("pause")
    desk.do("mute")
    listen(desk, 4.0)
    desk.do("mute")
    assert desk.do("answer A").startswith("Play A first")
    hear(desk, "a")
    assert desk.do("answer A").startswith("Answer taken.")


def test_a_trial_that_is_stopped_claims_no_result_and_is_kept_as_it_is() -> None:
    desk = begun("trial which 6")
    hear(desk, "abx")
    desk.do("answer B")
    said = desk.do("trial stop")
    assert "ended early, after 1 of 6 rounds: no result" in said
    assert "p =" not in said
    (act,) = kept(desk, "trial")
    assert act.data["ended_early"]
    assert list(act.data["trial"]["answers"]) == ["B"]
    assert desk.session.trial is None
    assert desk.do("list") == ""  # the session goes on


def test_leaving_in_the_middle_keeps_the_trial_first() -> None:
    desk = begun("trial which 6")
    hear(desk, "abx")
    desk.do("answer A")
    desk.do("quit")
    assert [type(one) for one in desk.effects if isinstance(one, Keep | Leave)] == [Keep, Leave]
    assert kept(desk, "trial")


def test_a_lost_device_is_told_without_telling_the_version_and_the_round_goes_on() -> None:
    desk = begun("trial which 6")
    desk.do("b")
    said = desk.do(DeviceLost("The output device is gone.", "at 5"))
    assert "open" not in said.replace("opened", "")
    assert "crushed" not in said
    listen(desk)
    assert "Play" in desk.do("answer A")
    assert desk.session.trial is not None


def test_a_new_revision_waits_until_the_trial_is_over() -> None:
    desk = begun("trial which 6")
    hear(desk, "abx")
    sound = desk.session.source(0)
    new = view("Song (open)", made_song([-18.0, -9.0, -18.0], -1.0), song_key="song")
    assert desk.do(Replaced(0, new, at="at 6")) == ""
    assert desk.session.source(0) == sound
    assert "Track 1 is now" in desk.do("trial stop") + " ".join(
        one.text for one in desk.effects if isinstance(one, Say)
    )
    assert desk.session.tracks[0].delivered == new.delivered


def test_until_all_is_made_ready_nothing_can_be_heard_or_answered() -> None:
    desk = Desk()
    desk.do("state matched")
    desk.do("trial which 6 1 2")
    desk.do(Typed("y", "at 1", SEED))
    assert len(desk.found(Prepare)[0].sources) == 2
    for line in ("a", "answer A"):
        assert "Preparing the versions" in desk.do(line)
    assert desk.do("trial stop") == "Trial cancelled."
    assert desk.session.trial is None


def test_a_version_that_cannot_be_made_ends_it_before_it_begins() -> None:
    desk = Desk()
    desk.do("state matched")
    desk.do("trial which 6 1 2")
    desk.do(Typed("y", "at 1", SEED))
    assert desk.do(Prepared("cut short", "at 2")) == "No trial: cut short"
    assert desk.session.trial is None


def test_an_answer_by_key_counts_once_it_is_confirmed() -> None:
    desk = begun("trial which 6")
    assert desk.do(Pressed("answer? A")).startswith("Play A and B and X first")
    hear(desk, "abx")
    assert desk.do(Pressed("answer? A")) == "Answer A? Press A again, or y, to confirm."
    assert desk.session.trial is not None
    assert desk.session.trial.trial.answers == ()
    desk.do(Pressed("b"))  # another key takes the offer back
    assert desk.do(Pressed("answer? y")) == ""
    assert desk.session.trial.trial.answers == ()
    for confirms in ("answer? B", "answer? y"):
        desk.do(Pressed("answer? B"))
        assert desk.do(Pressed(confirms)).startswith("Answer taken.")
        hear(desk, "abx")
    assert desk.session.trial.trial.answers == ("B", "B")
    # a whole round: three letters to hear, the answer and its confirmation are five keys
