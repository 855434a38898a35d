"""Cuts of different rates and layouts in one file, each channel at its own loudspeaker.

Cuts are float32 (frames, channels), in the channel order of `common/channels`. Rates meet by soxr's VHQ.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import CHANNEL_NAMES
from simulator.metering.passage import with_edges

Audio = NDArray[np.float32]


def common_channels(counts: Iterable[int]) -> int:
    """The smallest layout that has a loudspeaker for every channel of all these, two channels at least."""
    wanted = {name for count in counts if count > 1 for name in CHANNEL_NAMES[count]}
    return min(count for count, names in CHANNEL_NAMES.items() if count > 1 and wanted <= set(names))


def fitted(cut: Audio, rate: int, to_rate: int, channels: int) -> Audio:
    """A cut at the common rate and layout: mono goes to both front loudspeakers, any other channel to its
    own; those that the cut does not have stay silent."""
    if rate != to_rate:
        import soxr

        cut = np.asarray(soxr.resample(cut, rate, to_rate, quality="VHQ"), dtype=np.float32)
    cut = with_edges(cut, to_rate)
    if cut.shape[1] == 1:
        cut = np.repeat(cut, 2, axis=1)
    if cut.shape[1] == channels:
        return cut
    wide = np.zeros((cut.shape[0], channels), dtype=np.float32)
    for place, name in enumerate(CHANNEL_NAMES[cut.shape[1]]):
        wide[:, CHANNEL_NAMES[channels].index(name)] = cut[:, place]
    return wide
