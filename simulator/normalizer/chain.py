"""The one playing chain: the codec's decode, the player's gain, its limiter, then the D/A converter.

Delivery (conversions, a lossy codec) is a function passed in, from blocks to blocks: this room knows none.

Render, prediction and the desk all use this function, so that they cannot differ. Conventions: samples
float32 (frames, channels); the gain is one for all channels; the limiter works at the file's own rate;
the output has the input's frames, in place. With 0 dB and no limiter action it is the input, bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.dsp.limiter import LimiterReport, limit
from simulator.dsp.limiter_settings import LimiterSettings
from simulator.dsp.segments import recut
from simulator.normalizer.dac_clipping import convert
from simulator.normalizer.profile import FullScale

Deliver = Callable[[Iterable[NDArray[np.floating]]], Iterable[NDArray[np.float32]]]
"""Takes the master's blocks and gives them as the listener's decoder does, whole frames in place."""


@dataclass(frozen=True, slots=True)
class ChainSettings:
    """What the chain does: a gain in dB, the limiter after it, or None for no limiter, and the room above
    full scale of the converter after that, or None where the converter is not simulated (it never clips).
    `full_scale` says where what was delivered is held to ±1: before the gain, after gain and limiter, or
    nowhere."""

    gain_db: float
    limiter: LimiterSettings | None = None
    converter_headroom_db: float | None = None
    full_scale: FullScale = "none"


def play(
    blocks: Iterable[NDArray[np.floating]],
    sample_rate: int,
    channels: int,
    settings: ChainSettings,
    report: LimiterReport | None = None,
    deliver: Deliver | None = None,
) -> Iterator[NDArray[np.float32]]:
    """The stream as the player puts it out, as blocks (frames, channels) of other sizes, in all as many
    frames. `report` takes what the limiter did; it stays at zero without a limiter. Raises ValueError
    where a block has another number of channels. With `deliver`, the frames and `sample_rate` are those of
    what it gives."""
    delivered = recut(blocks if deliver is None else deliver(blocks), channels)
    if settings.full_scale == "before_gain":
        delivered = _held(delivered)
    played = _gained(delivered, settings.gain_db)
    if settings.limiter is not None:
        played = limit(played, channels, sample_rate, settings.limiter, report or LimiterReport())
    if settings.full_scale == "after_gain":
        played = _held(played)
    if settings.converter_headroom_db is not None:
        played = convert(played, channels, settings.converter_headroom_db)
    return played


def _gained(blocks: Iterator[NDArray[np.float32]], gain_db: float) -> Iterator[NDArray[np.float32]]:
    """0 dB does no arithmetic at all: the samples keep their bits."""
    if gain_db == 0.0:
        return blocks
    gain = np.float32(db_to_gain(gain_db))
    return (block * gain for block in blocks)


def _held(blocks: Iterator[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
    """Samples outside full scale are cut to it; the others keep their bits."""
    return (np.clip(block, np.float32(-1.0), np.float32(1.0)) for block in blocks)
