"""Notes of the score's patterns, and pitches of note names and chord symbols.

A passage is written in one of six notations, bars divided by `|`; a pattern shorter than its section repeats:

    line     "e5/1.5 d5 r/2 | c5/4!"      note/beats; the last length is kept; r rests; ! accents
    steps    {kick = "x...x...", ...}     one character a step: X accent, x, o soft, - ghost, . rest
    chords   "x..x..x."                   the whole chord, held to the next hit or `_`
    strum    "D..dDu.u"                   the chord as a down (D d) or up (U u) stroke
    arp      "1.3.5.3."                   one voice of the chord, 1 is the lowest
    bass     "1..1..5."                   a chord degree (1 3 5 7 8) above the bass

Note names are a letter, optional # or b, and an octave: `f#3`, `bb4`. A chord symbol is a root, a quality and
an optional bass: `Am7`, `Fadd9`, `C/E`; of all voicings in the register, the one whose voices move least is
played. Pitches are in semitones, c4 = 60, a4 = 69 = 440 Hz (MIDI numbering); beats count from the section's
start; velocities run from 0 to 1. A ValueError names the fault in the text; the score adds the place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

VELOCITY = {"X": 1.0, "D": 0.95, "U": 0.85, "x": 0.8, "d": 0.7, "o": 0.58, "u": 0.58, "-": 0.3}
STROKE_BEATS = 0.022
"""Time from string to string in a strum (a stroke over six strings takes about a tenth of a beat)."""


@dataclass(frozen=True, slots=True)
class Note:
    """One note or hit. `sound` is the drum of a hit, else empty; `legato` joins a note to the one before."""

    start_beat: float
    beats: float
    pitch: int
    velocity: float
    sound: str = ""
    legato: bool = False


@dataclass(frozen=True, slots=True)
class Harmony:
    """The chords of a section, sharing their bar equally, and how a part voices them."""

    bars: tuple[tuple[Chord, ...], ...]
    beats_per_bar: float
    register: tuple[int, int]
    voices: int

    @property
    def beats(self) -> float:
        return len(self.bars) * self.beats_per_bar

    def chord_at(self, beat: float) -> Chord:
        bar = min(int(beat / self.beats_per_bar + 1e-9), len(self.bars) - 1)
        within = beat / self.beats_per_bar - bar
        chords = self.bars[bar]
        return chords[min(int(within * len(chords) + 1e-9), len(chords) - 1)]

    def change_after(self, beat: float) -> float:
        """The beat at which the chord of `beat` ends."""
        bar = int(beat / self.beats_per_bar + 1e-9)
        count = len(self.bars[min(bar, len(self.bars) - 1)])
        share = self.beats_per_bar / count
        place = int((beat - bar * self.beats_per_bar) / share + 1e-9)
        return bar * self.beats_per_bar + (place + 1) * share


def line(text: str, harmony: Harmony) -> list[Note]:
    """A melody, exactly as long as its section."""
    notes: list[Note] = []
    position, beats, joined = 0.0, 1.0, False
    for token in text.replace("|", " ").split():
        name, _, length = token.rstrip("!").partition("/")
        if length:
            try:
                beats = float(length)
            except ValueError:
                raise ValueError(f"{token!r} has no length in beats after its slash") from None
            if not beats > 0.0:
                raise ValueError(f"{token!r} must last longer than 0 beats")
        if name == "r":
            joined = False
        else:
            velocity = 0.95 if token.endswith("!") else 0.75
            notes.append(Note(position, beats, pitch_of(name), velocity, legato=joined))
            joined = True
        position += beats
    if abs(position - harmony.beats) > 1e-6:
        raise ValueError(f"the line lasts {position:g} beats, its section {harmony.beats:g}")
    return notes


def steps(rows: Mapping[str, str], harmony: Harmony) -> list[Note]:
    """The hits of a drum kit."""
    return [
        Note(beat, length, 0, VELOCITY[mark], sound)
        for sound, text in rows.items()
        for beat, length, mark in _marks(text, harmony, "Xxo-")
    ]


def chords(text: str, harmony: Harmony) -> list[Note]:
    """Chords held until the next hit."""
    voices = _voicings(harmony)
    notes = []
    for beat, length, mark in _marks(text, harmony, "Xxo-"):
        end = min(beat + length, harmony.change_after(beat))
        notes += [Note(beat, end - beat, pitch, VELOCITY[mark]) for pitch in voices(beat)]
    return notes


def strum(text: str, harmony: Harmony) -> list[Note]:
    """Strokes over the strings; an up stroke takes only the upper ones."""
    voices = _voicings(harmony)
    notes = []
    for beat, length, mark in _marks(text, harmony, "DdUu"):
        pitches = voices(beat) if mark in "Dd" else voices(beat)[:-5:-1]
        for place, pitch in enumerate(pitches):
            late = STROKE_BEATS * place
            notes.append(Note(beat + late, length - late, pitch, VELOCITY[mark] * (1.0 - 0.03 * place)))
    return notes


def arp(text: str, harmony: Harmony) -> list[Note]:
    """Single voices of the chord, ringing for two beats or to the chord's end."""
    voices = _voicings(harmony)
    notes = []
    for beat, _, mark in _marks(text, harmony, "123456789"):
        pitches = voices(beat)
        octave, place = divmod(int(mark) - 1, len(pitches))
        ring = min(2.0, harmony.change_after(beat) - beat)
        notes.append(Note(beat, ring, pitches[place] + 12 * octave, 0.85 if mark == "1" else 0.7))
    return notes


def bass(text: str, harmony: Harmony) -> list[Note]:
    """One voice on the chord's degrees."""
    notes = []
    for beat, length, mark in _marks(text, harmony, "13578"):
        chord = harmony.chord_at(beat)
        pitch = bass_pitch(chord, harmony.register)
        if mark != "1":  # other degrees count from the root, near the bass
            pitch += (chord.root + chord.degree(int(mark)) - pitch) % 12 if mark != "8" else 12
        while pitch > harmony.register[1]:
            pitch -= 12
        notes.append(Note(beat, length, pitch, 0.85 if beat % 1.0 == 0.0 else 0.7))
    return notes


def _voicings(harmony: Harmony) -> Callable[[float], tuple[int, ...]]:
    """The voicing at a beat; each chord is led from the previous one in the section."""
    spans: list[tuple[float, tuple[int, ...]]] = []
    before: tuple[int, ...] = ()
    beat = 0.0
    while beat < harmony.beats - 1e-9:
        before = voicing(harmony.chord_at(beat), harmony.voices, harmony.register, before)
        beat = harmony.change_after(beat)
        spans.append((beat, before))

    def at(position: float) -> tuple[int, ...]:
        return next(pitches for end, pitches in spans if position < end - 1e-9)

    return at


def _marks(text: str, harmony: Harmony, allowed: str) -> list[tuple[float, float, str]]:
    """(beat, beats to the next hit or `_`, character) of each hit, the pattern repeated over the section."""
    cells = ["".join(cell.split()) for cell in text.split("|")]
    if not all(cells):
        raise ValueError("a bar of the pattern is empty")
    marks: list[tuple[float, str]] = []
    for bar in range(len(harmony.bars)):
        cell = cells[bar % len(cells)]
        step = harmony.beats_per_bar / len(cell)
        for place, mark in enumerate(cell):
            if mark == ".":
                continue
            if mark != "_" and mark not in allowed:
                raise ValueError(f"{mark!r} is not one of {allowed} . _")
            marks.append((bar * harmony.beats_per_bar + place * step, mark))
    ends = [beat for beat, _ in marks[1:]] + [harmony.beats]
    return [(beat, end - beat, mark) for (beat, mark), end in zip(marks, ends, strict=True) if mark != "_"]


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
    """Semitone number of a note name. Raises ValueError."""
    match = _NOTE.fullmatch(name)
    if match is None:
        raise ValueError(f"{name!r} is not a note name (such as f#3)")
    letter, shift, octave = match.groups()
    return 12 * (int(octave) + 1) + LETTERS[letter] + _SHIFT[shift]


def frequency_hz(pitch: float) -> float:
    """Equal temperament on a4 = 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((pitch - 69) / 12.0))


def chord_of(symbol: str) -> Chord:
    """The chord of a symbol. Raises ValueError with the known qualities."""
    match = _CHORD.fullmatch(symbol)
    if match is None or match[3] not in QUALITIES:
        known = " ".join(sorted(name for name in QUALITIES if name))
        raise ValueError(f"{symbol!r} is not a chord symbol (a root A-G, then nothing or one of {known})")
    root = (LETTERS[match[1].lower()] + _SHIFT[match[2]]) % 12
    bass = root if match[4] is None else (LETTERS[match[4].lower()] + _SHIFT[match[5]]) % 12
    return Chord(symbol, root, QUALITIES[match[3]], bass)


def voicing(chord: Chord, count: int, register: tuple[int, int], before: tuple[int, ...]) -> tuple[int, ...]:
    """`count` ascending pitches of the chord inside `register`, moving least from `before` (may be empty)."""
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
