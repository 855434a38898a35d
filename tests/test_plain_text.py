"""Texts from outside are shown as text, whatever they hold."""

from __future__ import annotations

import pytest

from simulator.errors import SimulatorError
from simulator.plain_text import as_utf8, visible
from simulator.player.playlist import Track


@pytest.mark.parametrize(("text", "shown"), [
    ("plain – ليلة 🎚️", "plain – ليلة 🎚️"),
    ("\x1b]0;title\x07", "\\x1b]0;title\\x07"),
    ("\x9b31m", "\\x9b31m"),
    ("two\nlines\r", "two\\x0alines\\x0d"),
    ("a\u2028b", "a\\u2028b"),
    ("caf\udce9.wav", "caf\\xe9.wav"),
    ("\ud800", "\\ud800"),
    ("−14\u202e LUFS\u2069", "−14\\u202e LUFS\\u2069"),
    ("שיר\u200f – song", "שיר\u200f – song"),
    ("", ""),
])  # fmt: skip
def test_what_would_steer_a_terminal_is_spelled_out(text: str, shown: str) -> None:
    assert visible(text) == shown


@pytest.mark.parametrize(("text", "kept"), [
    ("\x1b\u202e ليلة 🎚️", "\x1b\u202e ليلة 🎚️"), ("zu sch\udce4rf\x1b", "zu sch\\xe4rf\x1b"),
    ("\udfff", "\\udfff"),
])  # fmt: skip
def test_only_what_utf_8_has_no_form_for_is_spelled_out_where_a_text_is_kept(text: str, kept: str) -> None:
    assert as_utf8(text) == kept
    assert kept.encode()


def test_line_ends_of_the_program_s_own_may_be_kept() -> None:
    assert visible("one\ntwo\x1b", "\n") == "one\ntwo\\x1b"


def test_a_track_s_texts_are_visible_and_its_path_is_as_it_is() -> None:
    track = Track("/music/\x1b[2J.wav", "\x1b[2Jtitle", "art\x07ist", song="so\x1bng", album="\nalbum")
    assert (track.title, track.artist) == ("\\x1b[2Jtitle", "art\\x07ist")
    assert (track.song, track.album) == ("so\\x1bng", "\\x0aalbum")
    assert track.path == "/music/\x1b[2J.wav"


def test_errors_can_be_said_without_steering() -> None:
    assert "\x1b" not in visible(SimulatorError("\x1b[2J.wav: gone.").message, "\n")
