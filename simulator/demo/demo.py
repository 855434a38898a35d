"""Files of the demo, and how the texts of demo_playlist become them.

Conventions: the texts come in as a mapping from file stem to TOML text, the playlist under
"playlist" (`engine/demo_folder` reads them); audio goes out as (file stem, sample rate in Hz,
(frames, 2) float32 samples). Nothing is read or written here. The pieces are independent, so that
the caller may make each score's files in a process of its own.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from simulator.demo import score
from simulator.demo.mastering import master
from simulator.demo.mixdown import compose
from simulator.demo.players import INSTRUMENTS, KIT_SOUNDS
from simulator.demo.score import Score, ScoreError

SYNTHESIS_VERSION = 1
"""Raised when the code makes other sound from the same scores."""
PLAYLIST = "playlist"
File = tuple[str, int, NDArray[np.float32]]


def fingerprint(texts: Mapping[str, str]) -> str:
    """16 hexadecimal digits that stand for these texts as this version plays them: the name of the
    folder in which the files are kept."""
    digest = hashlib.sha256(f"synthesis {SYNTHESIS_VERSION}\n".encode())
    for name in sorted(texts):
        text = texts[name].replace("\r\n", "\n")
        digest.update(f"{name} {len(text)}\n{text}\n".encode())
    return digest.hexdigest()[:16]


def read_score(name: str, text: str) -> Score:
    """The checked score of a TOML text; raises ScoreError."""
    return score.parse(name, text, INSTRUMENTS, KIT_SOUNDS)


def playing_order(texts: Mapping[str, str]) -> tuple[str, ...]:
    """The file stems in the playlist's order."""
    tracks = tomllib.loads(texts[PLAYLIST])["tracks"]
    return tuple(PurePosixPath(track["path"]).stem for track in tracks)


def scores(texts: Mapping[str, str]) -> dict[str, Score]:
    """The checked scores by name, in the order in which the playlist first needs them. Raises ScoreError
    where playlist and scores do not name the same files."""
    order = playing_order(texts)
    found = {name: read_score(name, text) for name, text in texts.items() if name != PLAYLIST}
    made = sorted(recipe.file for piece in found.values() for recipe in piece.head.master)
    if made != sorted(order):
        raise ScoreError(
            f"The scores produce {', '.join(made)}; the playlist lists {', '.join(sorted(order))}.",
            "Each track of the demo's playlist needs exactly one [[master]] of its name.",
        )
    first = {
        name: min(order.index(recipe.file) for recipe in piece.head.master) for name, piece in found.items()
    }
    return {name: found[name] for name in sorted(found, key=lambda name: first[name])}


def files(piece: Score) -> Iterator[File]:
    """The masters of one piece, in the score's order; the mix is made once."""
    mix = compose(piece)
    rate = piece.head.sample_rate
    for recipe in piece.head.master:
        yield recipe.file, rate, master(mix, rate, recipe).samples
