"""Note names, chord symbols and voice-leading."""

from __future__ import annotations

import itertools

import pytest

from simulator.demo.pattern import bass_pitch, chord_of, frequency_hz, pitch_of, voicing


@pytest.mark.parametrize(("name", "pitch"), [("c4", 60), ("a4", 69), ("bb3", 58), ("f#5", 78), ("e2", 40)])
def test_a_note_name_is_the_midi_number_of_that_note(name: str, pitch: int) -> None:
    assert pitch_of(name) == pitch


@pytest.mark.parametrize(("pitch", "hertz"), [(69, 440.0), (60, 261.6256), (40, 82.4069)])
def test_frequencies_are_those_of_equal_temperament_on_440_hz(pitch: int, hertz: float) -> None:
    assert frequency_hz(pitch) == pytest.approx(hertz, abs=1e-4)  # published tables give four places


@pytest.mark.parametrize(
    ("symbol", "classes", "bass"),
    [
        ("C", (0, 4, 7), 0),
        ("Am7", (9, 0, 4, 7), 9),
        ("F#m7b5", (6, 9, 0, 4), 6),
        ("Bbmaj9", (10, 2, 5, 9, 0), 10),
        ("C/E", (0, 4, 7), 4),
    ],
)
def test_a_chord_symbol_names_its_tones_and_its_bass(
    symbol: str, classes: tuple[int, ...], bass: int
) -> None:
    chord = chord_of(symbol)
    assert chord.classes == classes
    assert chord.bass == bass
    assert bass_pitch(chord, (40, 60)) % 12 == bass


@pytest.mark.parametrize("symbol", ["H7", "c", "Amaj", "C/", ""])
def test_an_unknown_chord_symbol_is_refused_with_the_known_qualities(symbol: str) -> None:
    with pytest.raises(ValueError, match=r"not a chord symbol.*maj7"):
        chord_of(symbol)


def test_voices_move_less_when_led_than_when_every_chord_starts_from_its_root() -> None:
    chords = [chord_of(symbol) for symbol in ("Am7", "Dm7", "G7", "Cmaj7", "Fmaj7")]
    led: list[tuple[int, ...]] = []
    for chord in chords:
        led.append(voicing(chord, 4, (52, 76), led[-1] if led else ()))
    parallel = [tuple(57 + (chord.root - 9) % 12 + step for step in chord.intervals) for chord in chords]

    def moved(voicings: list[tuple[int, ...]]) -> int:
        steps = itertools.pairwise(voicings)
        return sum(abs(new - old) for before, after in steps for old, new in zip(before, after, strict=True))

    assert moved(led) < 0.5 * moved(parallel)
    for chord, pitches in zip(chords, led, strict=True):
        assert {pitch % 12 for pitch in pitches} == set(chord.classes)
        assert 52 <= min(pitches) <= max(pitches) <= 76


def test_a_register_without_room_for_the_chord_is_refused() -> None:
    with pytest.raises(ValueError, match="has fewer than 4 tones of C"):
        voicing(chord_of("C"), 4, (60, 66), ())
