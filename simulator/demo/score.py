"""Score of the demo, and the recipes of its masters, read from demo_playlist.

A score is a TOML text: the head (title, artist, tempo, metre, seed, room), sections in playing order with
their chords (one cell per bar), masters to make, and parts with their patterns for each section (see
`pattern`). With `plays = "chorus"` a section shares the chorus's patterns, for parts with none under its own
name. Everything is checked here; ScoreError names score, place and cure.

A master with `peak_dbtp` alone gets a gain. With `target_lufs` the mix goes through ride → drive → soft clip
→ limiter, and the drive is searched for the target as integrated loudness. All numbers are the project's own.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from simulator.common.errors import SimulatorError
from simulator.demo import pattern
from simulator.demo.pattern import Chord, Harmony, Note, chord_of, pitch_of
from simulator.dsp.ceiling import LimiterSettings, PeakKind


class Recipe(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One master. `file` is the stem of its file. `ride_ratio` compresses slow changes of loudness (2 halves
    every difference from the loudest passage) by up to `ride_max_db`; `clip_db` is the soft clip's ceiling
    above the limiter's, None for no clip."""

    file: str
    peak_dbtp: float | None = None
    target_lufs: float | None = None
    ride_ratio: float = 1.0
    ride_max_db: float = 6.0
    clip_db: float | None = None
    ceiling_db: float = -1.0
    detection: PeakKind = "true"
    look_ahead_ms: float = 3.0
    release_ms: float = 120.0

    @property
    def limiter(self) -> LimiterSettings:
        return LimiterSettings(self.ceiling_db, self.detection, self.look_ahead_ms, self.release_ms)

    def fault(self) -> str | None:
        """The fault in the recipe, or None."""
        if (self.peak_dbtp is None) == (self.target_lufs is None):
            return "exactly one of peak_dbtp and target_lufs must be given"
        if self.ride_ratio < 1.0:
            return f"ride_ratio must be 1 or more, got {self.ride_ratio:g}"
        if self.clip_db is not None and not self.clip_db > 0.0:
            return f"clip_db must be above 0, got {self.clip_db:g}"
        if min(self.look_ahead_ms, self.release_ms) <= 0.0:
            return "look_ahead_ms and release_ms must be above 0"
        return None


FORMAT = 1
LINE_KINDS = {"chords": pattern.chords, "strum": pattern.strum, "arp": pattern.arp, "bass": pattern.bass}


class ScoreError(SimulatorError):
    """A score of the demo cannot be played as written."""


class Room(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The reverberation that all parts share."""

    decay_s: float = 1.6
    predelay_ms: float = 15.0
    damping_hz: float = 5000.0
    level_db: float = 0.0


class Play(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a part plays in a section, in exactly one notation, and its level (start, end) in dB."""

    line: str = ""
    chords: str = ""
    strum: str = ""
    arp: str = ""
    bass: str = ""
    steps: dict[str, str] = {}
    level_db: tuple[float, float] = (0.0, 0.0)


class SectionText(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    chords: str
    plays: str = ""
    tempo_bpm: tuple[float, float] | None = None


class PartText(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    instrument: str
    play: dict[str, Play]
    level_db: float = 0.0
    pan: float = 0.0
    width: float = 1.0
    room_db: float = -12.0
    drive_db: float = 0.0
    duck_db: float = 0.0
    tremolo_hz: float = 0.0
    timing_ms: float = 4.0
    register: tuple[str, str] = ("c3", "c5")
    voices: int = 4


class ScoreText(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: int
    title: str
    artist: str
    tempo_bpm: float
    seed: int
    section: list[SectionText]
    part: list[PartText]
    master: list[Recipe]
    beats_per_bar: int = 4
    swing: float = 0.0
    swing_unit_beats: float = 0.25
    tail_s: float = 3.0
    drive_db: float = 0.0
    sample_rate: int = 44100
    room: Room = Room()


@dataclass(frozen=True, slots=True)
class Section:
    """A section with its place in beats from the start of the piece and its tempo (start, end)."""

    name: str
    start_beat: float
    beats: float
    tempo_bpm: tuple[float, float]
    bars: tuple[tuple[Chord, ...], ...]


@dataclass(frozen=True, slots=True)
class Phrase:
    """What one part plays in one section; beats count from the section's start."""

    section: Section
    notes: tuple[Note, ...]
    level_db: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Part:
    """One part: its settings as written, and its passages in playing order."""

    text: PartText
    passages: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True)
class Score:
    """A piece, checked and ready to perform."""

    head: ScoreText
    sections: tuple[Section, ...]
    parts: tuple[Part, ...]


def parse(name: str, text: str, instruments: frozenset[str], kits: Mapping[str, frozenset[str]]) -> Score:
    """The score of a TOML text; `name` is for the errors, `instruments` and `kits` (with their sounds) are
    those it may use. Raises ScoreError."""
    try:
        head = msgspec.convert(tomllib.loads(text), ScoreText)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise ScoreError(f"{name}: {error}.", "Correct the score.") from None
    if head.format != FORMAT:
        raise ScoreError(
            f"{name}: format must be {FORMAT}, got {head.format}.", "Rewrite it for this version."
        )
    for key in ("tempo_bpm", "beats_per_bar", "sample_rate", "swing_unit_beats"):
        if not getattr(head, key) > 0:
            raise ScoreError(f"{name}: {key} must be above 0, got {getattr(head, key)}.", "Correct it.")
    if not 0.0 <= head.swing < 1.0:
        raise ScoreError(f"{name}: swing must be 0 or more and below 1, got {head.swing}.", "Correct it.")
    for recipe in head.master:
        if fault := recipe.fault():
            raise ScoreError(f"{name}: master {recipe.file!r}: {fault}.", "Correct the recipe.")
    sections = _sections(name, head)
    parts = tuple(_part(name, part, head, sections, instruments, kits) for part in head.part)
    return Score(head, sections, parts)


def _sections(name: str, head: ScoreText) -> tuple[Section, ...]:
    sections: list[Section] = []
    start = 0.0
    for section in head.section:
        where = f"{name}: section {section.name!r}"
        if any(section.name == other.name for other in sections):
            raise ScoreError(f"{where} appears twice.", "Give each its own name; `plays` shares the music.")
        tempo = section.tempo_bpm or (head.tempo_bpm, head.tempo_bpm)
        if min(tempo) <= 0.0:
            raise ScoreError(f"{where}: tempo_bpm must be above 0, got {min(tempo)}.", "Correct it.")
        try:
            bars = tuple(
                tuple(chord_of(symbol) for symbol in cell.split()) for cell in section.chords.split("|")
            )
        except ValueError as error:
            raise ScoreError(f"{where}: {error}.", "Correct the chord.") from None
        if not all(bars):
            raise ScoreError(
                f"{where}: a bar without a chord.", "Write one in each cell between the bars `|`."
            )
        beats = float(len(bars) * head.beats_per_bar)
        sections.append(Section(section.name, start, beats, tempo, bars))
        start += beats
    if not sections:
        raise ScoreError(f"{name}: no [[section]].", "A score needs at least one.")
    return tuple(sections)


def _part(
    name: str,
    part: PartText,
    head: ScoreText,
    sections: tuple[Section, ...],
    instruments: frozenset[str],
    kits: Mapping[str, frozenset[str]],
) -> Part:
    where = f"{name}: part {part.name!r}"
    known = sorted({*instruments, *kits})
    if part.instrument not in known:
        raise ScoreError(f"{where}: unknown instrument {part.instrument!r}.", _near(part.instrument, known))
    names = sorted({key for section in head.section for key in (section.name, section.plays) if key})
    for key in part.play:
        if key not in names:
            raise ScoreError(f"{where}: unknown section {key!r}.", _near(key, names))
    passages = []
    for section, text in zip(sections, head.section, strict=True):
        play = part.play.get(section.name) or part.play.get(text.plays)
        if play is None:
            continue
        try:
            register = (pitch_of(part.register[0]), pitch_of(part.register[1]))
            harmony = Harmony(section.bars, float(head.beats_per_bar), register, part.voices)
            notes = _notes(play, harmony, kits.get(part.instrument))
        except ValueError as error:
            raise ScoreError(f"{where}, section {section.name!r}: {error}.", "Correct the pattern.") from None
        passages.append(Phrase(section, tuple(notes), play.level_db))
    return Part(part, tuple(passages))


def _notes(play: Play, harmony: Harmony, kit: frozenset[str] | None) -> list[Note]:
    kinds = [kind for kind in ("line", *LINE_KINDS, "steps") if getattr(play, kind)]
    if len(kinds) != 1:
        raise ValueError(f"it must be written in exactly one way, got {', '.join(kinds) or 'none'}")
    if (kinds[0] == "steps") != (kit is not None):
        raise ValueError("a drum kit plays steps, and nothing else does")
    if kit is not None:
        for sound in play.steps:
            if sound not in kit:
                raise ValueError(f"the kit has no {sound!r}: {_near(sound, sorted(kit))}")
        return pattern.steps(play.steps, harmony)
    if kinds[0] == "line":
        return pattern.line(play.line, harmony)
    return LINE_KINDS[kinds[0]](getattr(play, kinds[0]), harmony)


def _near(given: str, known: list[str]) -> str:
    near = difflib.get_close_matches(given, known, n=1, cutoff=0.5)
    return f"Did you mean {near[0]!r}?" if near else f"Known are {', '.join(known)}."
