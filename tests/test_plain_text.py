"""Texts from outside are shown as text, whatever they hold."""

from __future__ import annotations

import pytest

from simulator.cli.options import say_problems
from simulator.common.errors import SimulatorError
from simulator.common.text import as_utf8, visible, within_bounds
from simulator.playlists.playlist import LONGEST_TITLE, Track, title_from_path


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


def test_a_line_longer_than_any_path_keeps_its_beginning_and_its_end() -> None:
    path = "/music/" + "x" * 5_000_000
    lines = within_bounds(f"{path}: file not found.\n  Check the path.").split("\n")
    assert lines[0].startswith("/music/xxx")
    assert lines[0].endswith("xx: file not found.")
    assert len(lines[0]) < 500
    assert lines[1] == "  Check the path."
    longest = "/" + "y" * 4_096 + ": file not found."
    assert within_bounds(longest) == longest


def test_many_tracks_with_one_reason_are_counted_and_few_are_named(
    capsys: pytest.CaptureFixture[str],
) -> None:
    hint = "Check the path."
    many = [SimulatorError(f"/m/{number}.wav: file not found.", hint) for number in range(1_000)]
    few = [SimulatorError(f"/m/{number}.flac: the file is empty.", hint) for number in range(3)]
    say_problems([*many, None, *few])
    said = capsys.readouterr().err.splitlines()
    assert said[0] == "/m/0.wav: file not found."
    assert "995 more tracks: file not found." in said
    assert [line for line in said if "empty" in line] == [problem.message for problem in few]
    assert len(said) == 2 * (5 + 1 + 3)


def test_a_title_from_a_path_is_no_longer_than_a_name_can_be() -> None:
    assert len(title_from_path("x" * 5_000_000 + ".wav")) == LONGEST_TITLE
