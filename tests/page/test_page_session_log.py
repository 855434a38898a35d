"""What of the record reaches the page."""

from __future__ import annotations

import pytest

from simulator.page.passages import DeskMark
from simulator.page.session_log import decisions, marks, notes, trials
from simulator.playlists.playlist import Track
from simulator.session.log import Act, Record

AT = "2026-01-02T10:00:00+01:00"
TRACKS = [Track("/music/a.wav", "A"), Track("/music/b.wav", "B")]


def mark(name: object, path: object, place_s: object) -> Act:
    return Act(AT, "mark", {"name": name, "path": path, "place_s": place_s})


def test_marks_belong_to_tracks_by_path_and_count_where_they_were_set_last() -> None:
    acts = [
        mark("bridge", "/music/a.wav", 10.0),
        mark("end", "/music/b.wav", 50.0),
        mark("Bridge", "/music/b.wav", 12.5),
        mark("elsewhere", "/music/other.wav", 1.0),
    ]
    assert marks(acts, TRACKS) == [DeskMark(1, 50.0, "end"), DeskMark(1, 12.5, "Bridge")]


def test_a_file_whose_name_is_no_utf_8_keeps_its_marks() -> None:
    kept = Record().with_act(mark("bridge", "/music/b\udce4d.wav", 1.0)).acts
    assert marks(kept, [Track("/music/b\udce4d.wav", "A")]) == [DeskMark(0, 1.0, "bridge")]


@pytest.mark.parametrize(
    "act",
    [mark(1, "/music/a.wav", 1.0), mark("x", "/music/a.wav", "soon"), mark("x", None, 1.0), Act(AT, "mark")],
)
def test_an_act_that_is_not_whole_is_left_out(act: Act) -> None:
    assert marks([act], TRACKS) == []


@pytest.mark.parametrize("value", [1e308, -1e308, 10**400, True])
def test_numbers_that_nobody_can_have_meant_are_left_out(value: object) -> None:
    assert marks([mark("end", "/music/a.wav", value)], TRACKS) == []
    data = {"destination": "radio", "target_lufs": value, "ceiling_dbtp": value}
    assert decisions([Act(AT, "decision", data)]) == ["2026-01-02: radio."]
    assert notes([Act(AT, "note", {"text": "less", "track": 1, "place_s": value})]) == ["less"]


def test_notes_have_their_place() -> None:
    acts = [
        Act(AT, "note", {"text": "less bass", "title": "A", "place_s": 62.04}),
        Act(AT, "note", {"text": "all in all fine"}),
        Act(AT, "note", {}),
        Act(AT, "vote", {"text": "no note"}),
    ]
    assert notes(acts) == ["less bass (A, at 1:02.0)", "all in all fine"]


def test_decisions_say_what_is_known_of_them() -> None:
    whole = {
        "destination": "streaming",
        "target_lufs": -13,
        "ceiling_dbtp": -1.0,
        "who": "N",
        "why": "it breathes",
    }
    acts = [Act(AT, "decision", whole), Act(AT, "decision", {"text": "take the open one"})]
    assert decisions(acts) == [
        "2026-01-02: streaming, −13.0 LUFS, ceiling −1.0 dBTP, decided by N, because it breathes.",
        "2026-01-02: take the open one.",
    ]


def test_a_note_of_a_blind_trial_names_its_round_and_letter() -> None:
    acts = [
        Act(AT, "note", {"text": "duller", "trial_round": 3, "letter": "B"}),
        Act(AT, "note", {"text": "a pause", "trial_round": 4, "letter": None}),
        Act(AT, "note", {"text": "by itself"}),
    ]
    assert notes(acts) == [
        "duller (round 3 of a blind trial, while B played)",
        "a pause (round 4 of a blind trial)",
        "by itself",
    ]


def test_trials_are_told_in_the_words_of_their_reveal() -> None:
    acts = [
        Act(AT, "trial", {"result": ["A was “open”.", "9 of 16 right."]}),
        Act(AT, "trial", {"result": "odd"}),
        Act(AT, "trial begun", {"result": ["x"]}),
    ]
    assert trials(acts) == ["2026-01-02: A was “open”. 9 of 16 right."]
