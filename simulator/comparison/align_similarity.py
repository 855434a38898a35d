"""Similarity of two performances at one place: a number from 0 to 1.

The similarity is the mean over third-octave bands (60 Hz to 16 kHz, those that hold enough of both) of the
magnitude of the mean normalised cross spectrum: within a band the phases must agree from frequency to
frequency and from window to window; between bands they may differ, and levels do not count. So equalising,
level and polarity leave it near 1; limiting lowers it a little; another song, another take or another
place in the song leaves near 0. The border was set on real music: see tests/comparison/test_align_music.
"""

from __future__ import annotations

import itertools
import math

import numpy as np

from simulator.comparison.align_fine import Common

BORDER = 0.25
"""Below it two versions are held to be different performances."""
STEEPNESS = 20.0
AMBIGUOUS_SHARE = 0.9
_LOWEST_HZ, _HIGHEST_HZ = 60.0, 16_000.0
_FLOOR = 1e-6
"""A band whose mean power is this far under the strongest band's says nothing."""


def similarity(shared: Common, rate: int, size: int, delay: float) -> float:
    """0 to 1, read `delay` frames off the windows' own place."""
    count = shared.cross.shape[0]
    power = np.sqrt(shared.first_power * shared.second_power)
    turned = shared.cross * np.exp(-2j * np.pi * np.arange(count) / size * delay)
    unit = np.divide(turned, power, out=np.zeros_like(turned), where=power > 0.0)
    edges = _LOWEST_HZ * 2.0 ** (np.arange(0, 26) / 3.0)
    bins = np.unique(np.minimum(np.round(edges * size / rate).astype(int), count - 1))
    bins = bins[edges[: bins.shape[0]] <= min(_HIGHEST_HZ, 0.45 * rate)]
    bands = []
    for low, high in itertools.pairwise(bins.tolist()):
        ours, theirs = shared.first_power[low:high].mean(), shared.second_power[low:high].mean()
        bands.append((abs(unit[low:high].mean()), ours, theirs))
    if not bands:
        return 0.0
    size_of, first, second = (np.array(column) for column in zip(*bands, strict=True))
    counted = (first > _FLOOR * first.max()) & (second > _FLOOR * second.max())
    return float(min(1.0, size_of[counted].mean())) if counted.any() else 0.0


def confidence(value: float) -> float:
    """0.5 to 1: how sure "same" (at or above BORDER) or "different" (below) is. A logistic whose steepness
    was chosen so that the unrelated and the related pairs of the tests lie beyond 0.9; it is a scale to
    compare by, not a probability measured on many songs."""
    return 1.0 / (1.0 + math.exp(-STEEPNESS * abs(value - BORDER)))
