"""Soft clip: a bend before the ceiling instead of an edge at it.

It works at the file's own rate, sample by sample, as plain clippers do: its result may overshoot between the
samples, which is for the limiter behind it. Conventions: samples float32 of any shape; the ceiling is linear.
The shape is the project's own: straight up to KNEE of the ceiling, then a hyperbolic tangent.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

KNEE = 0.6
"""Share of its ceiling up to which the soft clip is straight."""


def soft_clipped(samples: NDArray[np.float32], ceiling: float) -> NDArray[np.float32]:
    """Straight up to KNEE of the ceiling, then bent (tanh) so that the ceiling is never passed."""
    knee = np.float32(KNEE * ceiling)
    room = np.float32(ceiling) - knee
    out = samples.flatten()  # a copy, in rows
    over = np.flatnonzero(np.abs(out) > knee)
    bent = out.take(over)
    magnitude = np.abs(bent)
    magnitude -= knee
    magnitude /= room
    np.tanh(magnitude, out=magnitude)
    magnitude *= room
    magnitude += knee
    out[over] = np.copysign(magnitude, bent)
    return out.reshape(samples.shape)
