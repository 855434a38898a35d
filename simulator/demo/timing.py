"""Time of each beat of the score.

Tempo runs straight from its start to its end over each section; swing makes every second unit late.

Conventions: beats from the start of the piece in, seconds out.
"""

from __future__ import annotations

import numpy as np

from simulator.demo.modal import Values
from simulator.demo.score import Score

GRID = 24
"""Points a beat at which the tempo is summed up."""


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
        """Time of a beat; past the last bar the last tempo goes on."""
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
