"""Which loudspeaker does each channel feed, and with what weight does it count?

Source: ITU-R BS.1770-5 Annex 1, Table 3: left, right, centre 1.0; surrounds 1.41; the
low-frequency channel is left out. Channel order is that of WAVE files (L R C LFE Ls Rs).
"""

from __future__ import annotations

SURROUND_WEIGHT = 1.41

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
    """BS.1770-5 weights in channel order. Raises ValueError for a layout that the standard's basic
    annex does not know."""
    if channels not in CHANNEL_NAMES:
        raise ValueError(f"no channel layout for {channels} channels; 1 to 6 are known")
    return tuple(_WEIGHTS.get(name, 1.0) for name in CHANNEL_NAMES[channels])
