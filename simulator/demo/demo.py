"""Which pieces does the demo consist of, and how do scores become the files of its playlist?

Conventions: `pieces` gives (file stem, sample rate in Hz, (frames, 2) float32 samples) in the order of
demo_playlist/playlist.toml; nothing is read or written here: the texts come in, the samples go out.
"""

from __future__ import annotations

from simulator.demo import score
from simulator.demo.players import INSTRUMENTS, KIT_SOUNDS
from simulator.demo.score import Score


def read_score(name: str, text: str) -> Score:
    """The checked score of a TOML text; raises ScoreError."""
    return score.parse(name, text, INSTRUMENTS, KIT_SOUNDS)
