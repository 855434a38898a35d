"""Channel layouts: the loudspeaker that each channel feeds, and its weight in loudness.

Source: ITU-R BS.1770-5 Annex 1, Table 3: left, right, centre 1.0; surrounds 1.41; the
low-frequency channel is left out. Channel order is that of WAVE files (L R C LFE Ls Rs).
Downmix to two: ITU-R BS.775-3, Annex 4, table 2, the 2/0 row (from memory): centre and surrounds at 0.7071,
the LFE left out. There is no overall attenuation, so a hot surround master may exceed full scale.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SURROUND_WEIGHT = 1.41
FOLDED = 0.7071
"""Coefficient of the centre and the surrounds in two channels."""

CHANNEL_NAMES: dict[int, tuple[str, ...]] = {
    1: ("M",),
    2: ("L", "R"),
    3: ("L", "R", "C"),
    4: ("L", "R", "Ls", "Rs"),
    5: ("L", "R", "C", "Ls", "Rs"),
    6: ("L", "R", "C", "LFE", "Ls", "Rs"),
}

_WEIGHTS = {"Ls": SURROUND_WEIGHT, "Rs": SURROUND_WEIGHT, "LFE": 0.0}


def channel_weights(channels: int) -> tuple[float, ...]:
    """BS.1770-5 weights in channel order. Raises ValueError for a layout outside the standard's basic
    annex."""
    if channels not in CHANNEL_NAMES:
        raise ValueError(
            f"{channels} channels have no known layout; layouts of 1 to 6 channels are supported"
        )
    return tuple(_WEIGHTS.get(name, 1.0) for name in CHANNEL_NAMES[channels])


_FOLDS = {
    3: ((0, 1, 1.0), (2, 2, FOLDED)),
    4: ((0, 1, 1.0), (2, 3, FOLDED)),
    5: ((0, 1, 1.0), (2, 2, FOLDED), (3, 4, FOLDED)),
    6: ((0, 1, 1.0), (2, 2, FOLDED), (4, 5, FOLDED)),
}
"""For each width: (channel into the left, channel into the right, coefficient)."""


def folded(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Three or more channels downmixed to (frames, 2); one or two unchanged. Raises ValueError above six."""
    channels = samples.shape[1]
    if channels <= 2:
        return samples
    if channels not in _FOLDS:
        raise ValueError(f"{channels} channels cannot be downmixed to two.")
    out = np.zeros((samples.shape[0], 2), np.float32)
    for left, right, share in _FOLDS[channels]:
        out[:, 0] += samples[:, left] * np.float32(share)
        out[:, 1] += samples[:, right] * np.float32(share)
    return out


def counted_channels(channels: int) -> list[int]:
    """The channels that count in loudness: those with a weight (the low-frequency channel has none)."""
    return [channel for channel, weight in enumerate(channel_weights(channels)) if weight]
