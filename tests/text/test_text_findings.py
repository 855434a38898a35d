"""How findings are written: what is counted in whole numbers, one of it in the singular."""

from __future__ import annotations

import pytest

from simulator.delivery.finding import Finding, Level, Move
from simulator.text.findings import album_move_words, brief, headline


@pytest.mark.parametrize(
    ("check", "value", "unit", "against", "words"),
    [
        ("overs", 1.0, "events", 0.0, "Name: 1"),
        ("clipped_runs", 3.0, "runs", 0.0, "Name: 3 runs"),
        ("edge_clicks", 1.0, "clicks", 0.0, "Name: 1 click"),
        ("word_length", 16.0, "bits", 24.0, "Name: 16 bits (file is 24 bits)"),
        ("album_order", 1.0, "", 2.0, "Name: 1 (place 2)"),
        ("album_order", None, "", 2.0, "Name: – (place 2)"),
        ("correlation", 1.0, "", 0.0, "Name: 1.00 (limit 0.00)"),
        ("album_rate", 44_100.0, "Hz", 48_000.0, "Name: 44.1 kHz (album 48 kHz)"),
        ("true_peak", -0.001, "dBTP", -1.0, "Name: 0.00 dBTP (limit −1.00 dBTP)"),
    ],
)
def test_headlines(check: str, value: float | None, unit: str, against: float, words: str) -> None:
    assert headline(Finding(check, "Name", "look", value, unit, against)) == words


@pytest.mark.parametrize(
    ("level", "value", "against", "words"),
    [
        ("look", 1.003, 1.0, "Name: 1.00 s (just over 1.00 s)"),
        ("look", -0.003, 0.0, "Name: 0.00 s (just under 0.00 s)"),
        ("look", 1.006, 1.0, "Name: 1.01 s (limit 1.00 s)"),
        ("look", 0.8, 0.8, "Name: 0.80 s (limit 0.80 s)"),
        ("fine", 0.997, 1.0, "Name: 1.00 s (limit 1.00 s)"),
    ],
)
def test_what_misses_its_limit_by_less_than_is_written_is_just_over_it(
    level: Level, value: float, against: float, words: str
) -> None:
    assert headline(Finding("head_silence", "Name", level, value, "s", against)) == words


def test_what_has_no_value_is_named_in_brief_by_its_words_or_not_at_all() -> None:
    found = [
        Finding("dither", "Dither", "fine", None, "", text="No sign of missing dither."),
        Finding("album_level", "Level within the album", "fine", None, "LU", 0.0),
        Finding("overs", "Overs", "fine", 0.0, "events"),
    ]
    assert brief(found) == "Dither: no sign of missing dither; Overs 0."
    assert brief(found[1:2]) == ""


def test_the_one_move_of_an_album_names_its_highest_peaks_also_at_full_scale() -> None:
    """0.0 dBTP is a peak like any other, before and after a step."""
    quiet = Move(-1.0, -16.0, -3.0, (("MP3", -2.0), ("Opus", -2.5)), True)
    loud = Move(-1.0, -14.0, 0.0, (("MP3", -0.4), ("Opus", 0.0)), True)
    words = album_move_words([quiet, loud])
    assert "loudest track −14.0 LUFS, 0.00 dBTP, 0.00 dBTP after Opus" in words
