"""How do tracks of other widths reach two loudspeakers?

Mono goes to both as it is. Surround is folded down: centre and surrounds at 0.7071 into their sides, the LFE
left out. Source: ITU-R BS.775-3, Annex 4, the 2/0 row (from memory; its values are 1 and 0.7071). Nothing is
turned down for it, so a full surround master may pass full scale. Conventions: float32 (frames, channels) in
the order of measure/layout.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SIDE = 0.7071
_LEFT_RIGHT = {
    3: [(0, 1, 1.0), (2, 2, SIDE)],
    4: [(0, 1, 1.0), (2, 3, SIDE)],
    5: [(0, 1, 1.0), (2, 2, SIDE), (3, 4, SIDE)],
    6: [(0, 1, 1.0), (2, 2, SIDE), (4, 5, SIDE)],
}
"""For each width: (channel into the left, channel into the right, coefficient)."""


def to_stereo(block: NDArray[np.float32]) -> NDArray[np.float32]:
    """The block as two channels (frames, 2)."""
    channels = block.shape[1]
    if channels == 2:
        return block
    if channels == 1:
        return np.repeat(block, 2, axis=1)
    out = np.zeros((block.shape[0], 2), np.float32)
    for left, right, share in _LEFT_RIGHT[channels]:
        out[:, 0] += block[:, left] * np.float32(share)
        out[:, 1] += block[:, right] * np.float32(share)
    return out
