"""Pitches of note names and chord symbols, in the voicing that moves least.

Conventions: a pitch is a whole number of equal-tempered semitones, c4 = 60, a4 = 69 = 440 Hz (the
MIDI numbering). Note names are a letter a-g, optional # or b, and an octave: `f#3`, `bb4`. A chord
symbol is a root, a quality of the table below and an optional bass: `Am7`, `Fadd9`, `G7sus4`, `C/E`.
Voice-leading: of all close and spread voicings in the register, the one whose voices move least.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

LETTERS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
QUALITIES: dict[str, tuple[int, ...]] = {
    "": (0, 4, 7),
    "m": (0, 3, 7),
    "5": (0, 7),
    "6": (0, 4, 7, 9),
    "m6": (0, 3, 7, 9),
    "7": (0, 4, 7, 10),
    "m7": (0, 3, 7, 10),
    "maj7": (0, 4, 7, 11),
    "9": (0, 4, 7, 10, 14),
    "m9": (0, 3, 7, 10, 14),
    "maj9": (0, 4, 7, 11, 14),
    "add9": (0, 4, 7, 14),
    "madd9": (0, 3, 7, 14),
    "sus2": (0, 2, 7),
    "sus4": (0, 5, 7),
    "7sus4": (0, 5, 7, 10),
    "dim": (0, 3, 6),
    "dim7": (0, 3, 6, 9),
    "m7b5": (0, 3, 6, 10),
    "aug": (0, 4, 8),
}
_NOTE = re.compile(r"([a-g])([#b]?)(-?\d)")
_CHORD = re.compile(r"([A-G])([#b]?)([a-z0-9]*)(?:/([A-G])([#b]?))?")
_SHIFT = {"": 0, "#": 1, "b": -1}


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord of the score: its symbol, the pitch classes upward from the root, and the bass."""

    symbol: str
    root: int
    intervals: tuple[int, ...]
    bass: int

    @property
    def classes(self) -> tuple[int, ...]:
        """Pitch classes in ascending order of interval, root first."""
        return tuple((self.root + interval) % 12 for interval in self.intervals)

    def degree(self, number: int) -> int:
        """The interval in semitones that a scale degree (1, 3, 5, 7, 8) has in this chord."""
        wanted = {1: (0,), 3: (4, 3, 5, 2), 5: (7, 6, 8), 7: (10, 11, 9), 8: (12,)}[number]
        held = {*self.intervals, 12}
        return next((interval for interval in wanted if interval in held), 12 if number == 7 else 0)


def pitch_of(name: str) -> int:
    """Semitone number of a note name; ValueError names what is wrong."""
    match = _NOTE.fullmatch(name)
    if match is None:
        raise ValueError(f"{name!r} is not a note name (such as f#3)")
    letter, shift, octave = match.groups()
    return 12 * (int(octave) + 1) + LETTERS[letter] + _SHIFT[shift]


def frequency_hz(pitch: float) -> float:
    """Equal temperament on a4 = 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((pitch - 69) / 12.0))


def chord_of(symbol: str) -> Chord:
    """The chord that a symbol names; ValueError lists the known qualities."""
    match = _CHORD.fullmatch(symbol)
    if match is None or match[3] not in QUALITIES:
        known = " ".join(sorted(name for name in QUALITIES if name))
        raise ValueError(f"{symbol!r} is not a chord symbol (a root A-G, then nothing or one of {known})")
    root = (LETTERS[match[1].lower()] + _SHIFT[match[2]]) % 12
    bass = root if match[4] is None else (LETTERS[match[4].lower()] + _SHIFT[match[5]]) % 12
    return Chord(symbol, root, QUALITIES[match[3]], bass)


def voicing(chord: Chord, count: int, register: tuple[int, int], before: tuple[int, ...]) -> tuple[int, ...]:
    """`count` ascending pitches of the chord inside `register`, moving least from `before` (or from ())."""
    low, high = register
    tones = [pitch for pitch in range(low, high + 1) if pitch % 12 in chord.classes]
    centre = (low + high) / 2
    best: tuple[float, tuple[int, ...]] | None = None
    for start in range(len(tones) - count + 1):
        close = tuple(tones[start : start + count])
        spread = (*close[:-1], close[-1] + 12) if close[-1] + 12 <= high and count > 2 else close
        for choice in {close, spread}:
            missing = len(set(chord.classes)) - len({pitch % 12 for pitch in choice})
            movement = sum(abs(new - old) for new, old in zip(choice, before, strict=False))
            drift = abs(sum(choice) / count - centre)
            cost = movement + 0.5 * drift + 2.0 * missing
            if best is None or (cost, choice) < best:
                best = (cost, choice)
    if best is None:
        raise ValueError(f"the register {low} to {high} has fewer than {count} tones of {chord.symbol}")
    return best[1]


def bass_pitch(chord: Chord, register: tuple[int, int]) -> int:
    """The chord's bass in the lowest octave of the register."""
    low, _ = register
    return low + (chord.bass - low) % 12
