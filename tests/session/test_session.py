"""The session: lines and keys in, sounds, words and acts out, read as transcripts."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_session import Desk, session, view
from support.made_session import song as made_song

from simulator.session.acts.level_guard import ASK_LU, EAR_RAMP_S, RAMP_S, STEP_LU
from simulator.session.events import (
    Aligned,
    ChooseDevice,
    DeviceFound,
    DeviceLost,
    Keep,
    Leave,
    ListDevices,
    Output,
    Pause,
    Predict,
    Predicted,
    Pressed,
    RememberTrim,
    Replace,
    Replaced,
    Resume,
    Say,
    Show,
    Sound,
    Tick,
    Typed,
    Wait,
)
from simulator.session.session import opened, step
from simulator.session.track import PlayedView

# Gains by hand for minus14-headroom (target −14, raised to a true peak of −1 dBTP at most). Open: the gated
# energy is (2·10^-2 + 10^-1)/3 of 20 s parts at −20, −10, −20 LUFS, less −0.691 on all: −13.98 LUFS; the
# relative gate at −24 takes nothing away. Its gain: −0.02 dB, downwards.


def test_it_opens_quietly_and_says_so() -> None:
    desk = Desk()
    assert desk.session.trim_db == -12.0
    assert [type(one) for one in desk.effects] == [Keep, Keep, Keep, Output, Show, Say]
    assert [one.act.kind for one in desk.found(Keep)] == ["material", "player", "opened"]
    assert desk.effects[-1] == Say("Monitor trim starts at −12.0 dB.")


@pytest.mark.parametrize(
    ("remembered", "begins"), [(None, -12.0), (-3.0, -12.0), (-20.0, -20.0), (0.0, -12.0)]
)
def test_a_remembered_trim_never_begins_louder(remembered: float | None, begins: float) -> None:
    assert Desk(trim_db=remembered).session.trim_db == begins


def test_play_swap_state_as_a_transcript() -> None:
    desk = Desk()
    said = desk.do("play")
    assert said == "1 Song (open) · as played · 0.0 dB · from 0:00.0 · 5.3 LU quieter here than “crushed”."
    (sound,) = desk.found(Sound)
    assert [one.source.track for one in sound.program.segments] == [0, 1, 2]
    assert desk.found(Resume) == [Resume()]
    desk.at(5.0)
    said = desk.do("swap")
    # the crushed one: 10·log10((2·10^-0.9 + 10^-0.72)/3) = −8.31 LUFS, so −5.69 dB; its verse −9 then plays
    # at −14.7, the open one's at −20.0: 5.3 LU above
    assert said == (
        "2 Song (crushed) · as played · −5.7 dB · from 0:05.0 · 5.3 LU louder here than “open”. "
        "Rising 5.3 LU over 0.4 s."
    )
    (sound,) = desk.found(Sound)
    assert (sound.place_s, sound.follow, sound.ramp_s) == (5.0, True, RAMP_S)
    said = desk.do("state matched")
    assert "same level here as “open”" in said
    assert "Level-matched by turning down: “crushed” −5.3 dB, “Reference” −4.5 dB." in said
    (sound,) = desk.found(Sound)
    assert sound.program.segments[0].source.gain_db == pytest.approx(-5.69 - 5.33, abs=0.03)
    assert sound.ramp_s == 0.0  # it became quieter
    desk.do("state played")
    assert desk.found(Sound)[0].ramp_s == RAMP_S


def test_a_rise_over_twelve_lu_from_another_trim_is_asked_about() -> None:
    desk = Desk()
    desk.do("trim -30")
    desk.do("play 2")
    said = desk.do("trim -15")
    assert said == "That is 15.0 LU louder than what you heard last. Go on? (y/n)"
    assert desk.session.trim_db == -30.0
    assert desk.do("n") == "Nothing changed."
    desk.do("trim -15")
    assert desk.do("y").startswith("Monitor trim −15.0 dB.")
    (output,) = desk.found(Output)
    assert output.ramp_s == RAMP_S


def test_a_switch_as_delivered_begins_at_the_level_heard_last_and_says_how_it_rises() -> None:
    """The verses: −20 and −9 LUFS as delivered."""
    desk = Desk()
    desk.do("state delivered")
    desk.do("play 1")
    desk.at(5.0)
    assert desk.do("swap").endswith("Rising 11.0 LU over 0.4 s.")
    (sound,) = desk.found(Sound)
    assert (sound.ramp_s, sound.ramp_from_db) == (RAMP_S, pytest.approx(-11.0))
    desk.do("swap")
    (down,) = desk.found(Sound)
    assert down.ramp_s == 0.0


def as_delivered() -> Desk:
    desk = Desk()
    desk.do("state delivered")
    desk.do("play 1")
    desk.at(5.0)
    return desk


def test_instant_switches_are_allowed_after_a_caution_at_the_confirmed_trim_and_end_with_guard_on() -> None:
    desk = as_delivered()
    said = desk.do("guard instant")
    assert said.startswith("Caution:")
    assert "−12.0 dB" in said
    assert desk.session.instant_trim_db is None
    desk.do("y")
    assert desk.session.instant_trim_db == -12.0
    desk.do("swap")
    assert [one.ramp_s for one in desk.found(Sound)] == [0.0]
    desk.do("swap")
    desk.do("guard on")
    desk.do("swap")
    assert [one.ramp_s for one in desk.found(Sound)] == [RAMP_S]


@pytest.mark.parametrize(
    "ends", ["trim -11", "guard on", DeviceFound("Headphones", "at 3")], ids=["trim", "guard on", "device"]
)
def test_a_higher_trim_or_another_device_ends_instant_switches_and_says_so(ends: str | DeviceFound) -> None:
    desk = as_delivered()
    desk.do("guard instant")
    desk.do("y")
    assert "guard" in desk.do(ends).casefold()
    assert desk.session.instant_trim_db is None


def test_instant_is_for_switches_between_versions_only() -> None:
    desk = Desk()
    desk.do("guard instant")
    desk.do("y")
    desk.do("play 2")
    desk.do("state matched")
    desk.do("state delivered")
    assert [one.ramp_s for one in desk.found(Sound)] == [RAMP_S]


def test_more_than_twelve_lu_is_asked_about_even_where_switches_are_instant() -> None:
    """A version 14 LU louder than the open one's verse."""
    louder = view("Song (louder)", made_song([-6.0, -5.0, -6.0], 0.5), song_key="song")
    start = session()
    desk = Desk(replace(start, tracks=(start.tracks[0], louder)))
    desk.do("state delivered")
    desk.do("guard instant")
    desk.do("y")
    desk.do("play 1")
    assert desk.do("swap") == "That is 14.0 LU louder than what you heard last. Go on? (y/n)"


def test_another_line_answers_a_question_with_no() -> None:
    desk = Desk()
    desk.do("play 2")
    desk.do("trim -30")
    desk.do("trim -6")
    assert desk.do("pause") == "Nothing changed. Paused."
    assert desk.session.question is None


def test_a_key_never_answers_a_question() -> None:
    desk = Desk()
    desk.do("play 2")
    desk.do("trim -30")
    desk.do("trim -6")
    desk.do(Pressed("pause"))
    assert desk.session.question is not None
    assert desk.session.motion == "playing"


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("plya", "Unknown command “plya”. Did you mean play?"),
        ("xyzzy", "Unknown command “xyzzy”. All commands: help"),
        ("st", "“st” could be state or stop. Type a letter more."),
        ("play 9", "No track 9. Tracks: 1 to 4."),
        ("play 4", "Track 4 cannot be played: It is not there."),
        ("play song", "“song” matches several tracks. Type more of the title, or its number."),
        ("play referense", "No track named “referense”. Did you mean “Reference”?"),
        ("go", "Go where? Examples: go 1:23, go +10, go loudest, go quietest, go lift, go worst, go MARK"),
        ("go 5:00", "5:00 is past the end of this track. It is 60 s long."),
        ("go nowhere", "No mark named “nowhere”. Set one: mark NAME"),
        ("trim 3", "The trim only turns down: 0 dB is its maximum. trim 0"),
        ("trim nan", "“nan” is not a level in dB. trim -12"),
        (
            "profile minus14headroom",
            "Unknown player profile “minus14headroom”. Did you mean minus14-headroom?",
        ),
        ("state loud", "Unknown level mode “loud”. state delivered, state played, state matched"),
        ("montage loudest 500", "A passage can be 0.5 to 120 s long, got 500. montage loudest 12"),
        ("loop 10 5", "The loop must start before it ends, inside the track. loop 1:02 1:10"),
        ("note", "Note what? Example: note the snare is duller than in the mix"),
        ("mark loudest", "“loudest” already means a position. Choose another name for the mark."),
        (
            "decide club -9",
            "Give the destination, its loudness and its ceiling. "
            "decide streaming -14 -1 Anna: keeps the chorus open",
        ),
        (
            "decide club -9 3",
            "A target can be -60 to 0 LUFS, a ceiling -40 to 0 dBTP. "
            "decide streaming -14 -1 Anna: keeps the chorus open",
        ),
        ("replace 1", "Give the track and the new file. replace 1 song-v2.wav"),
        ("hear left", "Unknown choice “left”. hear stereo, hear mono, hear side, hear residual"),
        ("wait", "Wait how long? wait 2, or wait end"),
        ("pause now", "pause takes no arguments. help pause"),
        ("swap", "This song has no other version in the list. Any track: swap 3"),
    ],
)
def test_wrong_lines_are_answered_with_what_and_the_cure(line: str, answer: str) -> None:
    desk = Desk()
    if line == "swap":
        desk = Desk(replace(session(), tracks=session().tracks[2:], track=0))
    assert desk.do(line) == answer
    assert [type(one) for one in desk.effects] == [Say]


@pytest.mark.parametrize(
    ("line", "kinds"),
    [
        ("list", [Show]),
        ("explain", [Show]),
        ("explain 2", [Show]),
        ("marks", [Show]),
        ("help", [Show]),
        ("help round", [Show]),
        ("devices", [ListDevices]),
        ("devices Headphones", [ChooseDevice]),
        ("device default", [ChooseDevice]),
        ("wait 2", [Wait]),
        ("wait end", [Wait]),
        ("quit", [Leave]),
        ("replace 1 new take.wav", [Say, Replace]),
        ("note it pumps", [Keep, Say]),
        ("mark chorus", [Keep, Say]),
        ("trim -20", [Output, RememberTrim, Say, Keep]),
        ("dim", [Output, Say, Keep]),
        ("mute", [Output, Say, Keep]),
        ("hear mono", [Output, Say, Keep]),
        ("mono", [Output, Say, Keep]),
        ("profile louder-setting", [Say, Predict, Keep]),
        ("stop", [Say, Keep]),
    ],
)
def test_commands_do_what_they_say(line: str, kinds: list[type]) -> None:
    desk = Desk()
    desk.do(line)
    assert [type(one) for one in desk.effects] == kinds


def test_the_end_of_the_list_stops_the_session() -> None:
    desk = Desk()
    desk.do("play 3")
    assert desk.do(Tick(0, 60.0, ended=True)) == "End of the list."
    assert (desk.session.motion, desk.session.place_s) == ("stopped", 0.0)
    desk.do("play")
    assert desk.found(Resume) == [Resume()]


def test_the_list_goes_on_by_itself_and_says_what_comes() -> None:
    desk = Desk()
    desk.do("play")
    assert desk.do(Tick(1, 0.3)) == "2 Song (crushed)."
    assert (desk.session.track, desk.session.place_s) == (1, 0.3)


def test_a_round_names_places_and_asks_where_it_steps_up() -> None:
    desk = Desk()
    desk.do("state delivered")
    # chosen on the open version: its chorus; as delivered the crushed one stands 2.8 dB above it
    assert "Go on?" not in desk.do("montage loudest 8")
    (sound,) = desk.found(Sound)
    assert [(one.start_s, one.end_s) for one in sound.program.segments] == [
        (20.0, 28.0),
        (20.0, 28.0),
        (0.0, 8.0),
    ]
    assert all(one.fade_in and one.fade_out for one in sound.program.segments)
    desk.do("stop")
    said = desk.do("round 0:02 8")  # the verse: −20 and −9 LUFS
    assert said == "One passage is 11.0 LU louder than the one before it. Go on? (y/n)"
    assert "as asked (0:02.0)" in desk.do("y")


def test_next_and_previous_walk_through_a_round() -> None:
    desk = Desk()
    desk.do("montage loudest 8")
    assert desk.do("next").startswith("2 Song (crushed)")
    assert desk.do("next").startswith("3 Reference")
    assert desk.do("next") == "That was the last passage of the montage."
    assert desk.do("previous").startswith("2 Song (crushed)")


def test_a_loop_stays_with_the_song_when_the_version_is_swapped() -> None:
    desk = Desk()
    desk.do("play")
    desk.do("loop 10 14")
    assert desk.session.plan is not None
    desk.at(11.0)
    desk.do("swap")
    (sound,) = desk.found(Sound)
    (segment,) = sound.program.segments
    assert (segment.source.track, segment.start_s, segment.end_s, sound.program.repeat) == (
        1,
        10.0,
        14.0,
        True,
    )
    assert (sound.place_s, sound.follow) == (11.0, True)
    assert desk.do("loop off") == "Loop off."


def test_versions_with_another_head_are_met_at_the_same_moment() -> None:
    start = session()
    tracks = (start.tracks[0], replace(start.tracks[1], offset_s=-1.5), *start.tracks[2:])
    desk = Desk(replace(start, tracks=tracks))
    desk.do("play")
    desk.at(10.0)
    desk.do("swap")
    assert desk.found(Sound)[0].place_s == pytest.approx(11.5)
    desk.do("swap")
    assert desk.found(Sound)[0].place_s == pytest.approx(10.0)


def test_alignment_may_come_later() -> None:
    desk = Desk()
    assert desk.do(Aligned({1: -0.25}, "Aligned.")) == "Aligned."
    assert desk.session.tracks[1].offset_s == -0.25


def test_marks_are_places_of_the_song_for_every_version() -> None:
    desk = Desk()
    desk.do("play")
    desk.at(21.0)
    assert desk.do("mark chorus") == "Mark “chorus” at 0:21.0 in track 1."
    desk.do("play 2")
    desk.do("go Chorus")
    assert (desk.session.track, desk.session.place_s) == (1, 21.0)
    desk.do("play 3")
    desk.do("go chorus")
    assert (desk.session.track, desk.session.place_s) == (0, 21.0)


@pytest.mark.parametrize(("word", "place"), [("loudest", 20.0), ("quietest", 0.0), ("turn", 14.0)])
def test_go_finds_the_passages_of_the_song(word: str, place: float) -> None:
    """By hand: the chorus is from 20 to 40 s, so the loudest 12 s begin at 20 s, and the turn at 20 s has
    6 s before it; all of the verse is equally quiet, so the first of it."""
    desk = Desk()
    desk.do("play 2")
    desk.do(f"go {word}")
    assert desk.session.place_s == pytest.approx(place, abs=0.1)


def test_a_player_that_is_not_worked_out_is_asked_for_and_then_plays() -> None:
    desk = Desk()
    desk.do("play")
    desk.at(3.0)
    desk.do("profile louder-setting")
    assert desk.session.profile == "minus14-headroom"
    views = {
        i: PlayedView(one.played["untouched"].prediction, True)
        for i, one in enumerate(desk.session.tracks)
        if one.delivered is not None
    }
    said = desk.do(Predicted("louder-setting", views))
    assert said.startswith(desk.session.profiles["louder-setting"].title)
    (sound,) = desk.found(Sound)
    assert sound.program.segments[0].source.lane == "louder-setting"
    assert sound.follow


def test_a_converter_without_headroom_is_heard_in_every_state_with_room_below_it() -> None:
    """As delivered, too, is then a chain of its own; the trim stays at −3 dB or lower."""
    desk = Desk()
    desk.do("trim 0")
    desk.do("play 2")
    desk.do("state delivered")
    desk.do("dac on")
    assert desk.found(Predict) == [Predict("untouched+converter"), Predict("minus14-headroom+converter")]
    for name in ("untouched", "minus14-headroom"):
        assert not desk.session.converter
        views = {
            i: PlayedView(one.played[name].prediction, name == "untouched")
            for i, one in enumerate(desk.session.tracks)
            if one.delivered is not None
        }
        said = desk.do(Predicted(f"{name}+converter", views))
    assert "overs clip. 2 Song (crushed) · as delivered · clipping DAC" in said
    assert desk.session.trim_db == -3.0
    (sound,) = desk.found(Sound)
    assert sound.program.segments[0].source.lane == "untouched+converter"
    assert "the trim stays at −3 dB or lower" in desk.do("trim -1")
    desk.do("state played")
    assert desk.found(Sound)[0].program.segments[0].source.lane is None  # turned down, nothing clips
    assert desk.do("dac off").startswith("D/A converter off. 2 Song (crushed) · as played")


@pytest.mark.parametrize(
    ("line", "decided"),
    [
        ("decide streaming -14 -1 Anna: keeps it open", ("streaming", -14.0, -1.0, "Anna", "keeps it open")),
        ("decide club system −9 LUFS −0.5", None),
        ("decide club system −9 −0.5dBTP", ("club system", -9.0, -0.5, "", "")),
        ("decide club −9LUFS, −0.5dBTP, Max", ("club", -9.0, -0.5, "", "Max")),
        ("decide radio -23 -1 as they ask", ("radio", -23.0, -1.0, "", "as they ask")),
    ],
)
def test_decisions_go_into_the_record(line: str, decided: tuple[object, ...] | None) -> None:
    desk = Desk()
    desk.do(line)
    acts = [one.act for one in desk.found(Keep)]
    if decided is None:  # the two numbers stand side by side
        assert acts == []
        return
    (act,) = acts
    keys = ("destination", "target_lufs", "ceiling_dbtp", "who", "why")
    assert (act.kind, tuple(act.data[key] for key in keys)) == ("decision", decided)


def test_a_player_with_a_converter_of_its_own_keeps_the_room_too() -> None:
    import msgspec

    start = session()
    own = msgspec.structs.replace(start.profiles["untouched"], id="own", converter_headroom_db=2.0)
    tracks = tuple(replace(one, played={**one.played, "own": one.played["untouched"]}) if one.played else one
                   for one in start.tracks)  # fmt: skip
    desk = Desk(replace(start, tracks=tracks, profiles={**start.profiles, "own": own}))
    desk.do("trim 0")
    desk.do("profile own")
    assert desk.session.trim_db == -3.0
    assert desk.do("trim 0").startswith("With the D/A converter simulated, the trim stays at −3 dB or lower.")
    assert desk.do("dac off").startswith("Only the player's own D/A converter is simulated.")


def test_a_new_revision_takes_the_place_and_is_linked_in_the_record() -> None:
    desk = Desk()
    desk.do("play")
    desk.at(4.0)
    new = replace(
        view("Song (open)", made_song([-18.0, -11.0, -18.0], -1.0), song_key="song"), path="/music/v2.wav"
    )
    said = desk.do(Replaced(0, new, at="at 2"))
    assert said == (
        "Track 1 is now /music/v2.wav (was /music/Song (open).wav). The playlist still names the older file."
    )
    act = desk.found(Keep)[0].act
    assert (act.kind, act.data["old"]["path"], act.data["new"]["path"]) == (
        "revision",
        "/music/Song (open).wav",
        "/music/v2.wav",
    )
    assert desk.do(Replaced(0, None, "no such file")) == "Kept the earlier version: no such file"
    again = desk.do(Replaced(0, new))  # the same file written anew: the playlist names it already
    assert again == "Track 1 is now /music/v2.wav (was /music/v2.wav)."


def test_a_lost_device_keeps_the_place_and_says_so() -> None:
    desk = Desk()
    desk.do("play")
    desk.at(7.0)
    assert "Your position is kept" in desk.do(DeviceLost("The output device is gone."))
    assert desk.session.place_s == 7.0
    assert desk.do(DeviceFound("Speakers")) == "Playing through Speakers."


def test_pause_keeps_the_place_and_swaps_stay_silent() -> None:
    desk = Desk()
    desk.do("play")
    desk.at(5.0)
    desk.do(Pressed("pause"))
    assert desk.found(Pause) == [Pause()]
    desk.do(Pressed("swap"))
    assert desk.session.motion == "paused"
    assert desk.found(Resume) == []
    desk.do(Pressed("pause"))
    # 5.3 dB above what was heard before the pause: it enters anew over two seconds, where it stood
    sound, resume = [one for one in desk.effects if not isinstance(one, Say | Keep)]
    assert isinstance(resume, Resume)
    assert isinstance(sound, Sound)
    assert (sound.place_s, sound.follow, sound.ramp_s) == (5.0, True, RAMP_S)


LINES = st.sampled_from(
    [
        "play",
        "play 1",
        "play 2",
        "play 3",
        "pause",
        "stop",
        "next",
        "previous",
        "go 5",
        "go 25",
        "go loudest",
        "go quietest",
        "go lift",
        "swap",
        "swap 3",
        "round",
        "montage quietest 4",
        "transitions",
        "loop",
        "loop 3 9",
        "loop off",
        "state delivered",
        "state played",
        "state matched",
        "state",
        "trim -30",
        "trim -6",
        "trim 0",
        "dim",
        "mute",
        "hear mono",
        "hear",
        "profile untouched",
        "profile minus14-down",
        "y",
        "n",
        "mark a",
        "go a",
        "guard instant",
        "guard on",
    ]
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.one_of(LINES, st.floats(0.0, 59.0)), max_size=25))
def test_no_act_raises_the_level_by_more_than_three_db_without_a_ramp_or_a_question(
    acts: list[str | float],
) -> None:
    """Ticks move the place (the song's own dynamics are no act). What an act changes at once must be within
    3 dB of what was heard last; what is asked about and confirmed ramps as well."""
    current, _ = opened(session(), -12.0, "")
    for act in acts:
        if isinstance(act, float):
            current, _ = step(current, Tick(current.segment, act))
            continue
        last = current.heard_lufs
        after, effects = step(current, Typed(act))
        now = after.output_lufs()
        if last is not None and now is not None and now - last > STEP_LU:
            came = [one for one in effects if isinstance(one, Sound | Output)]
            assert came, act
            if max(one.ramp_s for one in came) not in (RAMP_S, EAR_RAMP_S):
                assert act.startswith("swap"), act  # only a switch between versions may come at once
                assert current.instant_trim_db is not None
                assert now - last <= ASK_LU
                assert after.trim_db <= current.instant_trim_db
            starts = [one.ramp_from_db for one in came if isinstance(one, Sound) and one.ramp_s]
            assert all(one is None or last <= now + one + 1e-6 <= last + 1e-6 for one in starts), act
        assert after.trim_db <= 0.0
        current = after


@settings(max_examples=100, deadline=None)
@given(st.lists(LINES, max_size=20))
def test_matching_only_turns_down_and_matches_within_a_tenth(acts: list[str]) -> None:
    current, _ = opened(session(), -12.0, "")
    for act in [*acts, "y", "play 1", "y", "state matched", "y"]:
        current, _ = step(current, Typed(act))
    assert all(down >= 0.0 for down in current.turned_down_db.values())
    assert abs(current.difference_lu() or 0.0) <= 0.1
