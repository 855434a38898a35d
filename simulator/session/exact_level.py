"""Level of exactly these frames, as they are heard, for passages whose edges lie off the 100 ms grid.

The series of a measurement know a version's energy each 100 ms; a short passage of drums can be an LU off
there when the version lies at an offset of its own. A blind trial, in which the level alone must not tell,
measures the frames that it will play. Conventions: samples float32 (frames, 2), as a lane has them; loudness
of the mean K-weighted energy, ITU-R BS.1770-5 without gates; None for silence or nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import energy_to_lufs
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import SEGMENT_FRAMES

LEAD_SECONDS = 0.5
"""Wanted before the passage: the weighting's high-pass (38 Hz) forgets what came before in a part of this."""
LONGEST_SECONDS = 30.0
"""Of longer passages the series tell the level within 0.03 LU, and reading them would hold up the desk."""


def exact_lufs(samples: NDArray[np.float32], lead_frames: int, sample_rate: int) -> float | None:
    """The loudness of the frames after the first `lead_frames`, which only lead in."""
    frames = samples.shape[0]
    if frames <= lead_frames:
        return None
    energy = 0.0
    for channel in range(samples.shape[1]):
        weighting = KWeighting(sample_rate)
        for first in range(0, frames, SEGMENT_FRAMES):
            part = weighting.filter(np.ascontiguousarray(samples[first : first + SEGMENT_FRAMES, channel]))
            counted = part[max(lead_frames - first, 0) :]
            energy += float(counted @ counted)
    return energy_to_lufs(energy / (frames - lead_frames))
