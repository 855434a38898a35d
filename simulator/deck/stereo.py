"""Tracks of other widths for two loudspeakers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import folded


def to_stereo(block: NDArray[np.float32]) -> NDArray[np.float32]:
    """The block as two channels (frames, 2)."""
    return np.repeat(block, 2, axis=1) if block.shape[1] == 1 else folded(block)
