"""The one playing chain: delivery, the player's gain, its limiter, then the D/A converter.

Render, prediction, desk and page all use it, so they cannot differ. Delivery (conversion, lossy codec) is a
function passed in. The limiter works at the file's own rate. With 0 dB and no limiter action the output is
the input, bit for bit. Conventions: samples float32 (frames, channels), as many out as in, in place.

A D/A converter without headroom clips a wave that exceeds full scale between the samples, and its output
filter removes what the clip made above half the sampling rate. `headroom_db` is the room above full scale, 0
or more. For each channel:
  wave     the samples at 32 times the rate, by a windowed sinc pulse
  excess   what the clip removes: clip(wave) − wave, nothing where the wave stays inside
  out      samples + excess · pulse, back at the samples' rate (the same pulse: half the level at fs/2)
A sample further than REACH frames from any over keeps its bits. The pulse (64 samples, Kaiser, stop band
below −80 dB) is flat to 0.46 fs and closed from 0.54 fs, like common converters' filters (common practice, no
source); the output may itself exceed the clip level between samples. Check: a clipped sine whose harmonics
lie above fs/2 becomes a sine of the clipped one's fundamental, (2·A/π)·(arcsin(c/A) + (c/A)·√(1 − (c/A)²)).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.interpolation import ROW, SCREEN_MARGIN, Screen, kernel
from simulator.dsp.limiter import LimiterReport, limit
from simulator.dsp.segments import recut
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


OVERSAMPLING = 32
HALF = ROW
"""Half the pulse's length in samples: a row's wave then needs one row more on each side, and so does its way
back."""
REACH = 2 * HALF
"""Frames from an over beyond which nothing changes: HALF is what a cut spreads, and the pulse's own edge."""
_BETA = 7.857  # 80 dB
MOST_OVERSHOOT = 6.0
"""No wave rises further above its samples than the sum of the pulse's magnitudes (under 4)."""

Block = NDArray[np.float32]


@lru_cache(maxsize=1)
def pulse_matrix() -> Block:
    """(OVERSAMPLING·ROW, 3·ROW): line 32·i + j gives the wave j/32 after sample i of a row from the samples
    of the row before, the row and the row after. Its transpose spreads an excess over the same three."""
    place = np.arange(OVERSAMPLING * ROW)[:, np.newaxis] / OVERSAMPLING
    source = np.arange(-ROW, 2 * ROW)[np.newaxis, :]
    return kernel(place - source, HALF, _BETA).astype(np.float32)


def convert(blocks: Iterable[NDArray[np.floating]], channels: int, headroom_db: float) -> Iterator[Block]:
    """The stream as a converter with that headroom reconstructs it, as blocks (frames, channels) of other
    sizes, in all as many frames. Any block size gives the same samples. Raises ValueError where a block has
    another number of channels."""
    limit = db_to_gain(headroom_db)
    converters = [_DacChannel(limit) for _ in range(channels)]
    position, frames = -REACH, 0  # what leaves first stands before the stream
    for segment in recut(blocks, channels):
        frames += segment.shape[0]
        out = _pushed(converters, segment)
        yield out[max(0, -position) :]
        position += out.shape[0]
    if frames:
        rest = np.zeros((-frames % ROW + REACH, channels), dtype=np.float32)
        yield _pushed(converters, rest)[max(0, -position) : frames - position]


def _pushed(converters: list[_DacChannel], segment: Block) -> Block:
    """What leaves when a segment comes in."""
    return np.stack([one.push(segment[:, place]) for place, one in enumerate(converters)], axis=1)


class _DacChannel:
    """One channel in work: what comes in leaves REACH frames later. Only whole rows are looked at; frames
    that do not fill one wait (the last segment is short: the caller's padding fills it)."""

    def __init__(self, limit: float) -> None:
        self._limit = np.float32(limit)
        self._screen = Screen()
        self._samples = np.zeros(2 * ROW, dtype=np.float32)
        self._change = np.zeros((2, ROW), dtype=np.float32)  # of the two rows that are not finished

    def push(self, samples: Block) -> Block:
        joined = np.concatenate([self._samples, samples])
        rows = joined.shape[0] // ROW - 2
        if rows < 1:
            self._samples = joined
            return joined[:0]
        change = np.concatenate([self._change, np.zeros((rows, ROW), dtype=np.float32)])
        self._cut(joined, change, rows)
        out = joined[: rows * ROW].copy()
        moved = change[:rows].ravel()
        changed = np.flatnonzero(moved)  # adding zero would turn −0 into 0
        out[changed] += moved[changed]
        self._samples, self._change = joined[rows * ROW :], change[rows:]
        return out

    def _cut(self, samples: Block, change: Block, rows: int) -> None:
        """Adds to `change` (rows + 2, ROW) what the cuts in the rows 1 … `rows` take away."""
        if float(np.abs(samples).max()) * MOST_OVERSHOOT <= self._limit:
            return
        wave = self._screen.look(samples, ROW, rows).max(axis=0)
        # a maximum beside a row's end is told by the first sample after it
        after = np.abs(samples[2 * ROW :: ROW][:rows])
        busy = np.flatnonzero(np.maximum(wave, after) >= self._limit * SCREEN_MARGIN) + 1
        if not busy.shape[0]:
            return
        lines = samples[: (rows + 2) * ROW].reshape(-1, ROW)
        three = np.concatenate([lines[busy - 1], lines[busy], lines[busy + 1]], axis=1)
        wave = three @ pulse_matrix().T
        excess = np.clip(wave, -self._limit, self._limit) - wave
        spread = (excess @ pulse_matrix()) * np.float32(1.0 / OVERSAMPLING)
        for part in range(3):
            change[busy - 1 + part] += spread[:, part * ROW : (part + 1) * ROW]
