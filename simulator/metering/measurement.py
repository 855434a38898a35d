"""Measurement: all figures of a file, as one frozen value.

Levels are in dB or LUFS as the names say; None where there is nothing to measure (never −inf, never NaN),
with a warning that says why; times are in seconds from the first frame; entry k of a series covers k·0.1 s to
(k+1)·0.1 s, an incomplete last one is dropped. Definitions: ITU-R BS.1770-5 (loudness, gates, true peak), EBU
Tech 3341 (momentary 400 ms, short-term 3 s), EBU Tech 3342 (loudness range), AES e-Brief 373 (peak to
short-term loudness).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import unless_silence
from simulator.metering import dynamics, gating

METHOD = 5
"""Version of the measuring method: raised when any number may change; stored results carry it."""


@dataclass(frozen=True, slots=True)
class Warning_:
    """Something the reader of the numbers should know."""

    code: str
    text: str


WARNINGS = {
    one.code: one
    for one in (
        Warning_("silent", "Digital silence: nothing to measure."),
        Warning_("too_short", "Shorter than 400 ms: integrated loudness needs at least one 400 ms block."),
        Warning_("all_gated", "Quieter than −70 LUFS throughout, so every block is gated out."),
        Warning_("no_short_term", "Shorter than 3 s: short-term loudness cannot be measured."),
        Warning_("short_for_range", "Shorter than 60 s: the loudness range is unreliable."),
        Warning_("mono", "Mono file: it measures 3.0 LU lower than the same signal on two loudspeakers."),
    )
}
"""By code; cached results are shown in these words, whatever words they were stored with."""


@dataclass(frozen=True, slots=True)
class OverEvent:
    """Peaks above the ceiling less than 10 ms apart, channels merged."""

    start_s: float
    end_s: float
    peak_dbtp: float


@dataclass(frozen=True, slots=True)
class ClippedRun:
    """Three or more consecutive equal samples at a local ceiling of one channel."""

    start_s: float
    length_frames: int
    channel: int
    level_dbfs: float


@dataclass(frozen=True, slots=True)
class Series:
    """Values each 100 ms. `energy` is the channel-weighted K-weighted mean square of each step
    (float64), `true_peak` the linear maximum over all channels (float32)."""

    energy: NDArray[np.float64]
    true_peak: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Measurement:
    """All figures of one file (or of one array)."""

    sample_rate: int
    channels: int
    frames: int
    integrated_lufs: float | None
    loudness_range_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    quietest_passage_lufs: float | None
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    true_peak_at_s: float | None
    peak_to_loudness_db: float | None
    min_peak_to_short_term_db: float | None
    median_peak_to_short_term_db: float | None
    crest_factor_db: float | None
    share_at_ceiling: float
    over_count: int
    overs: tuple[OverEvent, ...]
    """The highest ones (up to 100), in time order; `over_count` counts all."""
    clipped_run_count: int
    clipped_runs: tuple[ClippedRun, ...]
    """The longest ones (up to 100), in time order; `clipped_run_count` counts all."""
    dc_offset: tuple[float, ...]
    correlation: float | None
    warnings: tuple[Warning_, ...]
    series: Series
    method: int = METHOD

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate

    @property
    def contrast_lu(self) -> float | None:
        """Loudest minus quietest passage."""
        if self.max_short_term_lufs is None or self.quietest_passage_lufs is None:
            return None
        return self.max_short_term_lufs - self.quietest_passage_lufs

    def peak_db(self, counts: str) -> float | None:
        """The "true" or the "sample" peak."""
        return self.true_peak_dbtp if counts == "true" else self.sample_peak_dbfs

    def with_gain(self, gain_db: float) -> Measurement:
        """This measurement after a plain gain, exact: the gates are applied to the scaled series (the
        absolute gate does not move with the gain). Overs and clipped runs stay those of the file as
        delivered."""
        if gain_db == 0.0:
            return self
        factor = 10.0 ** (gain_db / 20.0)
        series = Series(self.series.energy * factor * factor, self.series.true_peak * np.float32(factor))

        def shifted(level: float | None) -> float | None:
            return None if level is None else unless_silence(level + gain_db)

        true_peak = shifted(self.true_peak_dbtp)
        integrated = gating.integrated_lufs(series.energy)
        return replace(
            self,
            **asdict(dynamics.figures(series.energy, series.true_peak)),
            integrated_lufs=integrated,
            max_momentary_lufs=shifted(self.max_momentary_lufs),
            sample_peak_dbfs=shifted(self.sample_peak_dbfs),
            true_peak_dbtp=true_peak,
            peak_to_loudness_db=None if true_peak is None or integrated is None else true_peak - integrated,
            dc_offset=tuple(value * factor for value in self.dc_offset),
            series=series,
        )
