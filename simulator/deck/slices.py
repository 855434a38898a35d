"""Slices of a lane for a block, and what the loudspeakers get of them.

Conventions: blocks float32 (frames, 2), filled in place.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.deck.order import ENDLESS, Part
from simulator.dsp.fades import rise

Block = NDArray[np.float32]


def cut(samples: Block, part: Part, first: int, end: int, fade: int, block: Block) -> None:
    """Fills `block` from `first` on, with the part's gain and its edges of `fade` frames (or half the part,
    where it is shorter than two of them). `end` is the part's end in this lane; a gain of 1 keeps bits."""
    count = block.shape[0]
    source = samples[first : first + count]
    if part.gain == 1.0:
        block[:] = source
    else:
        np.multiply(source, np.float32(part.gain), out=block)
    edge = min(fade, (end - part.first) // 2) if end < ENDLESS else fade
    if part.fade_in and first < part.first + edge:
        curve = rise(edge)[first - part.first :][:count]
        block[: curve.shape[0]] *= curve
    if part.fade_out and first + count > end - edge:
        skip = max(end - edge - first, 0)
        curve = rise(edge)[::-1][first + skip - (end - edge) :][: count - skip]
        block[skip:] *= curve


def listen_to(block: Block, what: str, between: Block) -> None:
    """Mono or difference in both channels; `between` is room for one channel. Stereo stays as it is."""
    if what == "stereo":
        return
    both = between[: block.shape[0]]
    join = np.add if what == "mono" else np.subtract
    join(block[:, 0], block[:, 1], out=both)
    both *= np.float32(0.5)
    block[:, 0] = both
    block[:, 1] = both
