"""The one playing chain: delivery, the player's gain, its limiter, then the D/A converter.

Render, prediction, desk and page all use it, so they cannot differ. Delivery (conversion, lossy codec) is a
function passed in. The limiter works at the file's own rate. With 0 dB and no limiter action the output is
the input, bit for bit. Samples are float32 (frames, channels), as many out as in, in place.

A D/A converter without headroom clips inter-sample peaks over full scale, and its output filter removes the
products above half the sampling rate. `headroom_db` is the room above full scale, 0 or more. For each
channel:
  wave     the samples at 32 times the rate, by a windowed sinc pulse
  excess   removed by the clip: clip(wave) − wave, 0 where the wave stays inside
  out      samples + excess · pulse, back at the samples' rate (the same pulse: half the level at fs/2)
Only rows of 32 samples with an over are computed: a sample further than REACH frames from any keeps its bits.
The pulse (64 samples, Kaiser, stop band below −80 dB) is flat to 0.46 fs and closed from 0.54 fs, like common
converters' filters (common practice, no source); the output may itself exceed the clip level between samples.
Check: a clipped sine whose harmonics lie above fs/2 becomes a sine of the clipped one's fundamental,
(2·A/π)·(arcsin(c/A) + (c/A)·√(1 − (c/A)²)).
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
"""Takes the master's blocks and returns the listener's decode, frame for frame."""


@dataclass(frozen=True, slots=True)
class ChainSettings:
    """A gain in dB, the limiter after it (None: no limiter), and the headroom of the D/A converter after that
    (None: not simulated, it never clips). `full_scale` says where the delivered samples are clipped to ±1:
    before the gain, after gain and limiter, or nowhere."""

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
    """The stream as the player plays it, in blocks (frames, channels) of other sizes, as many frames in all.
    `report` takes what the limiter did. Raises ValueError where a block has another number of channels. With
    `deliver`, frames and `sample_rate` are those of its output."""
    played = recut(blocks if deliver is None else deliver(blocks), channels)
    if settings.full_scale == "before_gain":
        played = _clipped(played)
    if settings.gain_db != 0.0:
        gain = np.float32(db_to_gain(settings.gain_db))
        played = (block * gain for block in played)
    if settings.limiter is not None:
        played = limit(played, channels, sample_rate, settings.limiter, report or LimiterReport())
    if settings.full_scale == "after_gain":
        played = _clipped(played)
    if settings.converter_headroom_db is not None:
        played = clip_in_dac(played, channels, settings.converter_headroom_db)
    return played


def _clipped(blocks: Iterator[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
    """Samples outside full scale are clipped; the others keep their bits."""
    return (np.clip(block, np.float32(-1.0), np.float32(1.0)) for block in blocks)


OVERSAMPLING = 32
HALF = ROW
"""Half the pulse's length in samples: a row's wave needs one more row on each side, both ways."""
REACH = 2 * HALF
"""Frames from an over beyond which nothing changes: the spread of a clip, and the pulse's own edge."""
_BETA = 7.857  # 80 dB
MOST_OVERSHOOT = 6.0
"""No wave exceeds its samples by more than the sum of the pulse's magnitudes (under 4)."""

Block = NDArray[np.float32]


@lru_cache(maxsize=1)
def pulse_matrix() -> Block:
    """(OVERSAMPLING·ROW, 3·ROW): line 32·i + j gives the wave j/32 after sample i of a row, from the samples
    of the row before, the row and the row after. Its transpose spreads an excess over the same three."""
    position = np.arange(OVERSAMPLING * ROW)[:, np.newaxis] / OVERSAMPLING
    source = np.arange(-ROW, 2 * ROW)[np.newaxis, :]
    return kernel(position - source, HALF, _BETA).astype(np.float32)


def clip_in_dac(blocks: Iterable[NDArray[np.floating]], channels: int, headroom_db: float) -> Iterator[Block]:
    """The stream as a D/A converter with that headroom reconstructs it, in blocks (frames, channels) of other
    sizes, as many frames in all. Raises ValueError where a block has another number of channels."""
    converters = [_DacChannel(db_to_gain(headroom_db)) for _ in range(channels)]
    position, frames = -REACH, 0  # the first output is before the stream
    for segment in recut(blocks, channels):
        frames += segment.shape[0]
        out = _pushed(converters, segment)
        yield out[max(0, -position) :]
        position += out.shape[0]
    if frames:
        rest = np.zeros((-frames % ROW + REACH, channels), dtype=np.float32)
        yield _pushed(converters, rest)[max(0, -position) : frames - position]


def _pushed(converters: list[_DacChannel], segment: Block) -> Block:
    """The output for an input segment."""
    return np.stack([dac.push(segment[:, channel]) for channel, dac in enumerate(converters)], axis=1)


class _DacChannel:
    """One channel, with a latency of REACH frames. Only whole rows are computed; frames short of one wait
    (the caller pads the last segment)."""

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
        """Adds to `change` (rows + 2, ROW) the effect of clipping in the rows 1 … `rows`."""
        if float(np.abs(samples).max()) * MOST_OVERSHOOT <= self._limit:
            return
        wave = self._screen.look(samples, ROW, rows).max(axis=0)
        # a maximum at a row's end shows in the first sample after it
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
