"""Performance of the parts: which sound, how loud, exactly when.

A human plays unevenly: each note is a few milliseconds early or late and a little softer or louder, by the
part's own random numbers. Sounds are made once for each pitch and step of velocity and then added in. The
tempo of a section runs straight from its start to its end; swing delays every second unit. A part's bus is (1
or 2, frames) float32, before its level, drive and pan.
"""

from __future__ import annotations

import numpy as np

from simulator.common.units import db_to_gain
from simulator.demo.drums import KITS
from simulator.demo.instruments import ENSEMBLES, LOOP_FRAMES, SOLOS, STRUCK, Tone, ensemble_loop, solo_phrase
from simulator.demo.pattern import Note, frequency_hz
from simulator.demo.score import Part, Phrase, Score
from simulator.demo.synthesis import Samples, Values, fade

INSTRUMENTS = frozenset({*STRUCK, *ENSEMBLES, *SOLOS})
KIT_SOUNDS = {kit: frozenset(sounds) for kit, sounds in KITS.items()}
VELOCITY_STEPS = 5
TAKES = 3
"""Different takes of one drum at one velocity: no two hits in a row are the same."""
LOUDNESS_POWER = 1.4
"""How level follows velocity: half the velocity is 8.4 dB softer."""


def play_part(part: Part, clock: Clock, frames: int, sample_rate: int, rng: np.random.Generator) -> Samples:
    """The part's bus over the whole piece."""
    families = ((KITS, _play_kit), (STRUCK, _play_struck), (ENSEMBLES, _play_ensemble), (SOLOS, _play_solo))
    play = next(play for family, play in families if part.text.instrument in family)
    return play(part, clock, frames, sample_rate, rng)


class _Event:
    """A note with its times in frames, its velocity as played and its gains."""

    __slots__ = ("end", "gains", "note", "start", "step", "velocity")

    def __init__(
        self, part: Part, passage: Phrase, note: Note, clock: Clock, rate: int, rng: np.random.Generator
    ):
        first = passage.section.start_beat + note.start_beat
        late = 0.001 * part.text.timing_ms * float(np.clip(rng.normal(), -2.0, 2.0))
        self.note = note
        self.start = max(0, int((clock.seconds(first) + late) * rate))
        self.end = max(self.start + 64, int((clock.seconds(first + note.beats) + 0.5 * late) * rate))
        self.velocity = float(np.clip(note.velocity * (1.0 + 0.06 * rng.normal()), 0.08, 1.0))
        self.step = max(1, round(note.velocity * VELOCITY_STEPS))
        level = self.velocity**LOUDNESS_POWER
        low, high = passage.level_db
        shares = (beat / passage.section.beats for beat in (note.start_beat, note.start_beat + note.beats))
        start, end = (level * db_to_gain(low + (high - low) * min(share, 1.0)) for share in shares)
        self.gains = (start, end)

    @property
    def layer(self) -> float:
        return self.step / VELOCITY_STEPS


def _events(part: Part, clock: Clock, rate: int, rng: np.random.Generator) -> list[_Event]:
    return [
        _Event(part, passage, note, clock, rate, rng) for passage in part.passages for note in passage.notes
    ]


def _place(bus: Samples, start: int, sound: Samples) -> None:
    room = bus.shape[1] - start
    if room > 0:
        bus[:, start : start + sound.shape[1]] += sound[:, :room]


def _play_kit(part: Part, clock: Clock, frames: int, rate: int, rng: np.random.Generator) -> Samples:
    bus = np.zeros((2, frames), dtype=np.float32)
    kit = KITS[part.text.instrument]
    takes: dict[tuple[str, int, int], Samples] = {}
    for order, event in enumerate(_events(part, clock, rate, rng)):
        drum = kit[event.note.sound]
        key = (event.note.sound, event.step, order % TAKES)
        if key not in takes:
            angle = 0.25 * np.pi * (1.0 + drum.pan)
            sides = np.sqrt(2.0) * np.array([[np.cos(angle)], [np.sin(angle)]]) * db_to_gain(drum.level_db)
            takes[key] = sides.astype(np.float32) * drum.make(event.layer, rate, rng)[None, :]
        _place(bus, event.start, takes[key] * np.float32(event.gains[0]))
    return bus


def _play_struck(part: Part, clock: Clock, frames: int, rate: int, rng: np.random.Generator) -> Samples:
    instrument = STRUCK[part.text.instrument]
    rung: dict[tuple[int, int], Samples] = {}
    bus: Samples | None = None
    release = int(instrument.release_s * rate)
    events = _events(part, clock, rate, rng)
    longest: dict[tuple[int, int], int] = {}
    for event in events:
        key = (event.note.pitch, event.step)
        longest[key] = max(longest.get(key, int(0.3 * rate)), event.end - event.start + release + 1)
    for event in events:
        key = (event.note.pitch, event.step)
        if key not in rung:
            hertz = frequency_hz(event.note.pitch)
            rung[key] = instrument.make(hertz, event.layer, longest[key] / rate, rate, rng)
        if bus is None:
            bus = np.zeros((rung[key].shape[0], frames), dtype=np.float32)
        sound = rung[key][:, : event.end - event.start + release] * np.float32(event.gains[0])
        _place(bus, event.start, fade(sound, rate, 0.0, instrument.release_s))
    return np.zeros((1, frames), dtype=np.float32) if bus is None else bus


def _play_ensemble(part: Part, clock: Clock, frames: int, rate: int, rng: np.random.Generator) -> Samples:
    kind = ENSEMBLES[part.text.instrument]
    bus = np.zeros((2, frames), dtype=np.float32)
    loops: dict[tuple[int, int], Samples] = {}
    release = int(kind.release_s * rate)
    for event in _events(part, clock, rate, rng):
        key = (event.note.pitch, event.step)
        if key not in loops:
            loop = ensemble_loop(kind, frequency_hz(event.note.pitch), event.layer, rate, rng)
            loops[key] = np.concatenate([loop, loop, loop], axis=1)
        length = min(event.end - event.start + release, 2 * LOOP_FRAMES)
        first = int(rng.integers(LOOP_FRAMES))
        sound = loops[key][:, first : first + length] * _ramp(event.gains, length)
        _place(bus, event.start, fade(sound, rate, kind.attack_s, kind.release_s))
    return bus


def _ramp(gains: tuple[float, float], frames: int) -> Samples:
    """From one gain to the other, straight in dB; a single factor if they are the same."""
    slope = np.float32(np.log(gains[1] / gains[0]) / frames)
    if slope == 0.0:
        return np.full(1, gains[0], dtype=np.float32)
    level = np.arange(frames, dtype=np.float32) * slope + np.float32(np.log(gains[0]))
    return np.asarray(np.exp(level), dtype=np.float32)


def _play_solo(part: Part, clock: Clock, frames: int, rate: int, rng: np.random.Generator) -> Samples:
    kind = SOLOS[part.text.instrument]
    bus = np.zeros((1, frames), dtype=np.float32)
    phrases: list[list[_Event]] = []
    for event in _events(part, clock, rate, rng):
        if event.note.legato and phrases:
            event.start = max(event.start, phrases[-1][-1].start + 64)
            phrases[-1][-1].end = event.start
            event.end = max(event.end, event.start + 64)
            phrases[-1].append(event)
        else:
            phrases.append([event])
    for phrase in phrases:
        start = phrase[0].start
        tones = [
            Tone(event.start - start, event.end - start, event.note.pitch, event.layer, event.gains)
            for event in phrase
        ]
        _place(bus, start, solo_phrase(kind, tones, rate, rng)[None, :])
    return bus


GRID = 24
"""Points per beat at which the tempo is integrated."""


class Clock:
    """The time of every beat of one score."""

    def __init__(self, score: Score) -> None:
        beats, seconds, now = [0.0], [0.0], 0.0
        for section in score.sections:
            steps = max(1, int(section.beats * GRID))
            share = (np.arange(steps) + 0.5) / steps
            tempo = section.tempo_bpm[0] + (section.tempo_bpm[1] - section.tempo_bpm[0]) * share
            passed = np.cumsum(60.0 / tempo * (section.beats / steps))
            beats += list(section.start_beat + section.beats * (np.arange(steps) + 1) / steps)
            seconds += list(now + passed)
            now = seconds[-1]
        self._beats: Values = np.array(beats)
        self._seconds: Values = np.array(seconds)
        self._swing = score.head.swing
        self._unit = score.head.swing_unit_beats
        self.end_s = now + score.head.tail_s

    def seconds(self, beat: float) -> float:
        """Time of a beat, counted from the start of the piece; the last tempo continues past the last bar."""
        pair, within = divmod(beat, 2.0 * self._unit)
        share = within / (2.0 * self._unit)
        late = 0.5 + 0.5 * self._swing
        bent = share * 2.0 * late if share < 0.5 else late + (share - 0.5) * 2.0 * (1.0 - late)
        beat = pair * 2.0 * self._unit + bent * 2.0 * self._unit if self._swing else beat
        over = beat - self._beats[-1]
        if over > 0.0:
            pace = (self._seconds[-1] - self._seconds[-2]) / (self._beats[-1] - self._beats[-2])
            return float(self._seconds[-1] + over * pace)
        return float(np.interp(beat, self._beats, self._seconds))
