"""The six ways to write what a part plays."""

from __future__ import annotations

import pytest

from simulator.demo import pattern
from simulator.demo.pattern import Harmony, Note, chord_of


def harmony(*bars: str, register: tuple[int, int] = (48, 72), voices: int = 3) -> Harmony:
    cells = tuple(tuple(chord_of(symbol) for symbol in bar.split()) for bar in bars)
    return Harmony(cells, 4.0, register, voices)


def test_a_line_keeps_the_last_length_joins_notes_and_starts_anew_after_a_rest() -> None:
    notes = pattern.line("c4/1 d4! r/0.5 e4 | f4/1", harmony("C"))
    assert [(n.start_beat, n.beats, n.pitch, n.legato) for n in notes] == [
        (0.0, 1.0, 60, False),
        (1.0, 1.0, 62, True),
        (2.5, 0.5, 64, False),
        (3.0, 1.0, 65, True),
    ]
    assert notes[1].velocity > notes[0].velocity


def test_steps_repeat_over_the_section_and_their_marks_are_velocities() -> None:
    notes = pattern.steps({"kick": "X.-."}, harmony("C", "G"))
    assert [(n.start_beat, n.sound) for n in notes] == [(b, "kick") for b in (0.0, 2.0, 4.0, 6.0)]
    assert notes[0].velocity == notes[2].velocity > notes[1].velocity


def test_chords_are_held_to_the_next_hit_a_stop_or_the_change_of_chord() -> None:
    notes = pattern.chords("x.._", harmony("C F"))
    assert {n.beats for n in notes} == {2.0}  # the chord changes before the stop comes
    assert {n.pitch % 12 for n in notes} == {0, 4, 7}


def test_a_down_stroke_rises_over_the_strings_and_an_up_stroke_falls_over_the_upper_ones() -> None:
    notes = pattern.strum("D.u.", harmony("C", voices=6, register=(40, 72)))
    down, up = [n for n in notes if n.start_beat < 2.0], [n for n in notes if n.start_beat >= 2.0]
    assert [n.pitch for n in down] == sorted(n.pitch for n in down)
    assert [n.pitch for n in up] == sorted((n.pitch for n in up), reverse=True)
    assert (len(down), len(up)) == (6, 4)
    assert [n.start_beat for n in down] == sorted({n.start_beat for n in down})


def test_an_arpeggio_goes_on_above_the_voicing_an_octave_higher() -> None:
    low, high = pattern.arp("1..4", harmony("C"))
    assert high.pitch == low.pitch + 12


def test_a_bass_plays_degrees_of_the_chord_above_its_bass() -> None:
    notes = pattern.bass("1358", harmony("Am", register=(28, 50)))
    assert [(n.pitch - notes[0].pitch) % 12 for n in notes] == [0, 3, 7, 0]
    assert all(28 <= n.pitch <= 50 for n in notes)


@pytest.mark.parametrize(
    ("way", "text", "match"),
    [
        (pattern.line, "c4/1", "lasts 1 beats, its section 4"),
        (pattern.line, "h4/4", "not a note name"),
        (pattern.line, "c4/x", "no length in beats"),
        (pattern.line, "c4/0 c4/4", "longer than 0"),
        (pattern.chords, "x.q.", "'q' is not one of"),
        (pattern.bass, "1.2.", "'2' is not one of"),
        (pattern.arp, "1...||1...", "a bar of the pattern is empty"),
    ],
)
def test_a_pattern_that_makes_no_sense_says_why(way: object, text: str, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        way(text, harmony("C"))  # type: ignore[operator]


def test_a_note_is_a_value() -> None:
    assert Note(0.0, 1.0, 60, 0.5) == Note(0.0, 1.0, 60, 0.5)
