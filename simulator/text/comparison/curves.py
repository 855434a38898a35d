"""Short-term loudness of versions in the open one's time, for pictures and as a line of block characters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import LOUDNESS_OFFSET_DB
from simulator.comparison.alignment import Alignment
from simulator.comparison.versions import STEPS_PER_SECOND
from simulator.metering import gating
from simulator.metering.measurement import Measurement

DEEPEST_LU = 30.0
"""Windows further below the loudest one are not drawn."""
Curve = NDArray[np.float64]


def short_term_curve(measured: Measurement, aligned: Alignment | None = None) -> tuple[Curve, Curve]:
    """Times (windows,) in s at which the 3 s windows begin, and their loudness in LUFS: NaN where one is too
    quiet to be drawn, and where the open version has no such moment. `aligned` is the version's alignment
    to the open one; None for the open version itself, and for one that keeps its own time."""
    windows = gating.short_term_energies(measured.series.energy)
    levels = LOUDNESS_OFFSET_DB + 10.0 * np.log10(np.maximum(windows, 1e-20))
    deepest = levels.max(initial=-70.0) - DEEPEST_LU
    drawn: Curve = np.where(levels >= deepest, levels, np.nan)
    times = np.arange(levels.shape[0], dtype=np.float64) / STEPS_PER_SECOND
    return (times if aligned is None or aligned.offset_s is None else _open_times(times, aligned)), drawn


def on_clock(curve: tuple[Curve, Curve], seconds: float) -> list[float | None]:
    """The curve at every tenth of a second from 0 to `seconds`; None where it has no value."""
    times, levels = curve
    known = ~np.isnan(times)
    if not known.any():
        return []
    clock = np.arange(round(seconds * STEPS_PER_SECOND)) / STEPS_PER_SECOND
    read = np.interp(clock, times[known], levels[known], left=np.nan, right=np.nan)
    return [None if np.isnan(value) else float(value) for value in read]


def _open_times(times: Curve, alignment: Alignment) -> Curve:
    """Moments of the other version in the open one's time; a gap where an edited one has none."""
    stretch = 1.0 + (alignment.drift_ppm or 0.0) * 1e-6
    if not alignment.pieces:
        placed: Curve = (times - (alignment.offset_s or 0.0)) / stretch
        return placed
    placed = np.full(times.shape[0], np.nan)
    for piece in alignment.pieces:
        own = (times - piece.offset_s) / stretch
        inside = (own >= piece.first_start_s) & (own + 3.0 <= piece.first_end_s)
        placed[inside] = own[inside]
    return placed


BLOCKS = "▁▂▃▄▅▆▇█"
PLAIN = ".:-=+*#@"
"""For terminals without block characters."""


def sparkline(
    values: Sequence[float | None], low: float, high: float, width: int, *, blocks: bool = True
) -> str:
    """The values as `width` characters between `low` and `high`; a blank where there is none.

    More values than characters: each character shows the highest of its share, as a peak meter would.
    """
    marks = BLOCKS if blocks else PLAIN
    line = []
    for column in range(min(width, len(values))):
        begin = column * len(values) // min(width, len(values))
        end = max(begin + 1, (column + 1) * len(values) // min(width, len(values)))
        known = [value for value in values[begin:end] if value is not None]
        if not known:
            line.append(" ")
            continue
        place = (max(known) - low) / (high - low) if high > low else 1.0
        line.append(marks[min(len(marks) - 1, max(0, int(place * len(marks))))])
    return "".join(line)
