"""Samples of a passage as the page carries them: two channels, 16 bits, with dither.

Conventions: float32 (frames, channels) in, int16 (frames, 1 or 2) out. Three and more channels are
folded before (common/channels). What is above full scale is stored turned down, and `gain_db` says by how
much it is turned up again on playing, so that nothing is clipped in storing. Dither is triangular, two steps
peak to peak (Lipshitz, Wannamaker, Vanderkooy, JAES 40, 1992; from memory): the error stays within 1.5 steps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain

BITS = 16
STEP = 2.0 ** (1 - BITS)
"""One step of 16 bits, as a share of full scale."""
LARGEST_ERROR = 1.5 * STEP
_FULL = 2.0 ** (BITS - 1)
_ROOM = 1.0 - 3.0 * STEP
"""What a sample may reach: full scale less the positive end of two's complement and the dither."""


@dataclass(frozen=True, slots=True)
class Stored:
    """Samples as stored; played with `gain_db` they are what was given, within LARGEST_ERROR times it."""

    samples: NDArray[np.int16]
    gain_db: float

    def restored(self) -> NDArray[np.float64]:
        """What a page plays, (frames, channels)."""
        return self.samples.astype(np.float64) * (db_to_gain(self.gain_db) / _FULL)


def stored(samples: NDArray[np.float32], seed: int, room: float = _ROOM) -> Stored:
    """16 bits with dither from `seed`; turned down first where a sample is above `room`."""
    peak = float(np.abs(samples).max()) if samples.size else 0.0
    gain_db = 20.0 * math.log10(peak / room) if peak > room else 0.0
    scaled = samples.astype(np.float64) / db_to_gain(gain_db)
    noise = np.random.default_rng(seed).random((*samples.shape, 2))
    steps = np.rint(scaled * _FULL + noise[..., 0] - noise[..., 1])
    return Stored(np.clip(steps, -_FULL, _FULL - 1.0).astype(np.int16), gain_db)
