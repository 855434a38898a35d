"""Sequence of an album: levels of its songs one after the other, gaps, and trims that relate the songs.

A trim is plain gain for one song. The trims bring the songs into a relation as loud as it gets with no song's
true peak raised above −1 dBTP, and no song above the loudest one as it is. Gaps are what stays below −80 dBFS
in true peak from one song to the next, in steps of 100 ms (the limit: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from simulator.delivery.level_findings import CUSTOMARY_CEILING_DBTP
from simulator.delivery.scan import SILENT
from simulator.metering.measurement import Measurement

STEP_S = 0.1


@dataclass(frozen=True, slots=True)
class Relation:
    """What relates the songs: their integrated loudness, or their loudest 3 s; `offsets_lu` is where each
    belongs against the others (empty: all at one level)."""

    by_loudest: bool = False
    offsets_lu: tuple[float, ...] = ()


def gaps_s(songs: Sequence[Measurement]) -> list[float | None]:
    """Silence in s from each song's end to the sound of the next; None after the last, and beside silence."""
    edges = [_edges_s(song) for song in songs]
    found: list[float | None] = [
        None if before is None or after is None else before[1] + after[0] for before, after in pairwise(edges)
    ]
    return [*found, None] if songs else []


def _edges_s(song: Measurement) -> tuple[float, float] | None:
    """Silent seconds before and after the sound; None for silence."""
    sounding = np.flatnonzero(song.series.true_peak > SILENT)
    if not sounding.shape[0]:
        return None
    return int(sounding[0]) * STEP_S, max(song.duration_s - (int(sounding[-1]) + 1) * STEP_S, 0.0)


def trims_db(songs: Sequence[Measurement], relation: Relation) -> list[float | None]:
    """The trim of each song in dB; None for one that has no level to relate."""
    offsets = relation.offsets_lu or (0.0,) * len(songs)
    levels = [song.max_short_term_lufs if relation.by_loudest else song.integrated_lufs for song in songs]
    known = [level for level in levels if level is not None]
    bases = [
        level - offset + max(CUSTOMARY_CEILING_DBTP - (song.true_peak_dbtp or 0.0), 0.0)
        for song, level, offset in zip(songs, levels, offsets, strict=True)
        if level is not None
    ]
    if not bases:
        return [None] * len(songs)
    base = min(*bases, max(known) - max(offsets))
    return [
        None if level is None else base + offset - level
        for level, offset in zip(levels, offsets, strict=True)
    ]
