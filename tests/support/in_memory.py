"""The product works on streams; here is the same for whole arrays, (frames, channels) or (frames,)."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from simulator.comparison.align import align_and_move
from simulator.comparison.alignment import Alignment
from simulator.dsp.limiter import LimiterReport
from simulator.normalizer.chain import ChainSettings, clip_in_dac, play


def play_array(
    samples: NDArray[np.floating], sample_rate: int, settings: ChainSettings
) -> tuple[NDArray[np.float32], LimiterReport]:
    """What the chain makes of samples, in the same shape, and what its limiter did."""
    report = LimiterReport()
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    return _whole(play([samples], sample_rate, channels, settings, report), samples), report


def convert_array(samples: NDArray[np.floating], headroom_db: float) -> NDArray[np.float32]:
    """What a D/A converter of that headroom makes of samples, in the same shape."""
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    return _whole(clip_in_dac([samples], channels, headroom_db), samples)


def align(
    first: NDArray[np.floating], first_rate: int, second: NDArray[np.floating], second_rate: int
) -> Alignment:
    """How the second version lies against the first."""
    return align_and_move(first, first_rate, second, second_rate).alignment


def _whole(blocks: Iterable[NDArray[np.float32]], like: NDArray[np.floating]) -> NDArray[np.float32]:
    pieces = list(blocks)
    made = np.concatenate(pieces) if pieces else np.zeros((0, *like.shape[1:]), dtype=np.float32)
    return made[:, 0] if like.ndim == 1 and made.ndim == 2 else made
