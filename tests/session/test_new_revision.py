"""A new revision is offered in one line, never in a trial or over a question, and heard on request."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_session import Desk

from simulator.session.events import Keep, Prepared, Replace, Replaced, Resume, Revised, Sound
from simulator.session.provenance import revised
from simulator.session.track import TrackView

CRUSHED = 1
FOUND = Revised(CRUSHED, "/music/song-v3.wav", "v3", 0.4, 0.0, "same timing")
OFFER = "v3 is here: 0.4 LU louder, same timing. n = hear it"


def playing(track: int = 2) -> Desk:
    desk = Desk()
    desk.do(f"play {track}")
    desk.at(24.0)
    return desk


def new_view(desk: Desk, offset_s: float = 0.0) -> TrackView:
    return replace(desk.session.tracks[CRUSHED], path=FOUND.path, offset_s=offset_s, content="new")


def test_it_is_offered_and_nothing_is_switched() -> None:
    desk = playing()
    before = desk.session.program()
    assert desk.do(FOUND) == OFFER
    assert not desk.found(Sound)
    assert desk.session.program() == before


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"louder_lu": -1.26}, "v3 is here: 1.3 LU quieter, same timing. n = hear it"),
        ({"louder_lu": 0.04}, "v3 is here: same loudness, same timing. n = hear it"),
        ({"louder_lu": None, "timing": ""}, "v3 is here. n = hear it"),
        ({"name": "A new song.wav"}, "A new song.wav is here: 0.4 LU louder, same timing. n = hear it"),
        ({"track": 2}, "v3 of “Reference” is here: 0.4 LU louder, same timing. n = hear it"),
        ({"problem": "It is cut short."}, "v3 is here but cannot be used: It is cut short."),
    ],
)
def test_the_line(change: dict[str, object], said: str) -> None:
    assert playing().do(replace(FOUND, **change)) == said


def test_n_takes_it_in_and_plays_it_at_the_same_moment() -> None:
    desk = playing()
    desk.do(replace(FOUND, shift_s=0.25))
    desk.do("n")
    assert desk.found(Replace) == [Replace(CRUSHED, FOUND.path)]
    assert desk.do("n") == ""  # once
    desk.at(25.0)
    desk.do(Replaced(CRUSHED, new_view(desk), at="at 3"))
    assert desk.session.place_s == 25.25
    assert desk.found(Sound)[0].place_s == 25.25
    acts = [one.act for one in desk.found(Keep)]
    assert revised(acts) == {FOUND.path: "/music/Song (crushed).wav"}


def test_from_another_version_n_goes_to_it() -> None:
    desk = playing(1)
    desk.do(FOUND)
    desk.do("n")
    assert desk.session.track == 0  # until it is measured
    desk.do(Replaced(CRUSHED, new_view(desk, offset_s=-0.5), at="at 3"))
    assert (desk.session.track, desk.session.place_s) == (CRUSHED, 24.5)
    assert desk.found(Sound)


def test_nothing_plays_yet_n_begins() -> None:
    desk = Desk()
    desk.do(FOUND)
    desk.do("replace")
    desk.do(Replaced(CRUSHED, new_view(desk), at="at 3"))
    assert (desk.session.track, desk.session.motion) == (CRUSHED, "playing")
    assert desk.found(Resume)


def test_a_replacement_by_hand_does_not_switch() -> None:
    desk = playing(1)
    desk.do(FOUND)
    desk.do("replace 2 /music/other.wav")
    desk.do(Replaced(CRUSHED, new_view(desk), at="at 3"))
    assert desk.session.track == 0


def test_over_an_open_question_n_is_a_no_and_the_line_comes_after_it() -> None:
    desk = playing()
    desk.do("guard instant")
    assert desk.session.question is not None
    assert desk.do(FOUND) == ""
    said = desk.do("n")
    assert said == f"Nothing changed. {OFFER}"
    assert desk.session.accepted is None


@pytest.mark.parametrize("ready", [True, False])
def test_in_a_trial_nothing_is_said_until_its_end(ready: bool) -> None:
    desk = playing()
    desk.do("state matched")
    desk.do("trial which 6")
    desk.do("y")
    if ready:
        desk.do(Prepared(at="at 2"))
    assert desk.do(FOUND) == ""
    if not ready:
        desk.do(Prepared(at="at 2"))
    for line in ("a", "n", "y", "note dull"):
        assert "v3" not in desk.do(line).casefold()
    assert not desk.found(Replace)
    assert desk.do("trial stop").endswith(OFFER)


def test_without_one_the_word_says_so_and_a_stray_n_does_nothing() -> None:
    desk = playing()
    assert desk.do("n") == ""
    assert "Give the track" in desk.do("replace")
