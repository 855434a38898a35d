"""Mastering limiter, a stand-in for the engineer's own, with an optional soft clip before it.

The player's limiter plus a short hold, so that the gain does not ripple within a cycle of a low note, and a
two-stage programme-dependent release: after a single peak the gain recovers fast; the mean reduction over
`sustained_ms` recovers slowly. One gain for all channels, never above the ceiling. Times: project's own
choice, common for such limiters (common practice, no source).

The soft clip is straight up to KNEE of the ceiling, then a hyperbolic tangent (project's own shape), sample
by sample at the file's own rate, so it may overshoot between the samples. Conventions: as in dsp/limiter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.dsp.ceiling import LimiterSettings, PeakKind
from simulator.dsp.limiter import Block, LimiterReport, StraightRelease, Values, limit_by

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


Style = Literal["limit", "clip-limit"]


@dataclass(frozen=True, slots=True)
class MasteringSettings:
    """`clip_over_db` is how far above the limiter's ceiling the soft clip has its own, in the style
    "clip-limit". `output_gain_db` is plain gain after the limiter (0 or less): it lowers loudness and true
    peak by exactly that much and changes nothing else."""

    ceiling_db: float
    detection: PeakKind = "true"
    style: Style = "limit"
    output_gain_db: float = 0.0
    look_ahead_ms: float = 4.0
    hold_ms: float = 10.0
    fast_ms: float = 40.0
    slow_ms: float = 600.0
    sustained_ms: float = 300.0
    clip_over_db: float = 3.0


class ActionReport(LimiterReport):
    """What the limiter did, with the share of the time at more than 3 dB of reduction too."""

    def __init__(self) -> None:
        super().__init__()
        self.frames_over_3_db = 0
        self.frames = 0

    def watch(self, reduction_db: Values) -> None:
        self.frames_over_3_db += int(np.count_nonzero(reduction_db > 3.0))

    @property
    def share_over_3_db(self) -> float:
        return self.frames_over_3_db / self.frames if self.frames else 0.0


class TwoStageRelease:
    """The lower of a fast release and of the sustained reduction's slow one."""

    def __init__(self, sample_rate: int, settings: MasteringSettings) -> None:
        self._fast = StraightRelease(sample_rate, settings.fast_ms)
        self._slow = StraightRelease(sample_rate, settings.slow_ms)
        self._recent = np.zeros(max(1, round(settings.sustained_ms * sample_rate / 1000.0)))

    @property
    def home(self) -> bool:
        return self._fast.home and self._slow.home and not self._recent.any()

    def follow(self, held: Values) -> Values:
        fast = self._fast.follow(held)
        width = self._recent.shape[0]
        joined = np.concatenate([self._recent, fast])
        self._recent = joined[fast.shape[0] :]
        sums = np.cumsum(joined)
        mean = sums[width:] - sums[: fast.shape[0]]
        mean /= width
        mean *= mean <= -1e-9  # without what the sums' rounding leaves where nothing is reduced
        slow = self._slow.follow(mean)
        released: Values = np.minimum(fast, slow, out=slow)
        return released


def master_blocks(
    blocks: Iterable[NDArray[np.floating]],
    channels: int,
    sample_rate: int,
    drive_db: float,
    settings: MasteringSettings,
    report: ActionReport,
    row_peaks: Block | None = None,
) -> Iterator[Block]:
    """The stream driven into clip and limiter, as blocks (frames, channels) of other sizes, in all as many
    frames, in place. The look-ahead is taken from the stream. `row_peaks` are those of the
    undriven stream, as in `limit_by`; not with a clip. Raises ValueError where a block has another number of
    channels."""
    limiter = LimiterSettings(
        settings.ceiling_db, settings.detection, settings.look_ahead_ms, settings.fast_ms
    )
    driven = _driven(blocks, drive_db, settings)
    release = TwoStageRelease(sample_rate, settings)
    if row_peaks is not None:
        row_peaks = row_peaks * np.float32(db_to_gain(drive_db))
    limited = limit_by(driven, channels, sample_rate, limiter, release, report, settings.hold_ms, row_peaks)
    after = np.float32(db_to_gain(settings.output_gain_db))
    for block in limited:
        report.frames += block.shape[0]
        yield block if settings.output_gain_db == 0.0 else block * after


def _driven(
    blocks: Iterable[NDArray[np.floating]], drive_db: float, settings: MasteringSettings
) -> Iterator[Block]:
    gain = np.float32(db_to_gain(drive_db))
    ceiling = db_to_gain(settings.ceiling_db + settings.clip_over_db)
    for block in blocks:
        driven = np.asarray(block, dtype=np.float32)
        if drive_db != 0.0:
            driven = driven * gain
        yield soft_clipped(driven, ceiling) if settings.style == "clip-limit" else driven
