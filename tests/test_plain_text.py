"""Texts from outside are shown as text, whatever they hold."""

from __future__ import annotations

import pytest

from simulator.errors import SimulatorError
from simulator.plain_text import visible
from simulator.player.playlist import Track


@pytest.mark.parametrize(("text", "shown"), [
    ("plain – ليلة 🎚️", "plain – ليلة 🎚️"),
    ("\x1b]0;title\x07", "\\x1b]0;title\\x07"),
    ("\x9b31m", "\\x9b31m"),
    ("two\nlines\r", "two\\x0alines\\x0d"),
    ("a\u2028b", "a\\x2028b"),
    ("", ""),
])  # fmt: skip
def test_what_would_steer_a_terminal_is_spelled_out(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_line_ends_of_the_program_s_own_may_be_kept() -> None:
    assert visible("one\ntwo\x1b", "\n") == "one\ntwo\\x1b"


def test_a_track_s_texts_are_visible_and_its_path_is_as_it_is() -> None:
    track = Track("/music/\x1b[2J.wav", "\x1b[2Jtitle", "art\x07ist", song="so\x1bng", album="\nalbum")
    assert (track.title, track.artist) == ("\\x1b[2Jtitle", "art\\x07ist")
    assert (track.song, track.album) == ("so\\x1bng", "\\x0aalbum")
    assert track.path == "/music/\x1b[2J.wav"


def test_errors_can_be_said_without_steering() -> None:
    assert "\x1b" not in visible(SimulatorError("\x1b[2J.wav: gone.").message, "\n")
