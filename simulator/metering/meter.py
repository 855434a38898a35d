"""Meter: all figures of one stream in one pass, and the readings of a live meter.

Blocks are float32 (frames, channels); any block size gives the same result, bit for bit, and memory grows by
about 1 kB a second of sound. Channels are independent, so the caller may pass an `each` that works on them in
parallel, and on a segment while the next one is read: the heavy steps are matrix products, which release
Python's lock. Crest factor = sample peak over RMS of all channels (unweighted); "at its ceiling" = share of
samples within 0.1 dB of the file's sample peak; DC = mean of the samples. Other sources: see each figure.

Live: momentary is the last 400 ms, short-term the last 3 s (BS.1770-5 weighting, EBU Tech 3341 windows, no
gates), true peak the highest of the last 400 ms; None without enough samples, or below −70 LUFS (the
standard's absolute gate). Each reading is computed from the samples alone, so a late or lost one leaves no
trace.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import CHANNEL_NAMES, channel_weights
from simulator.common.errors import AudioError
from simulator.common.units import db_to_gain, energy_to_lufs, format_time, gain_to_db, seconds_to_frames
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import METER_FRAMES, recut
from simulator.metering import dynamics, gating
from simulator.metering.clipping import ClipDetector
from simulator.metering.measurement import WARNINGS, Measurement, Series, Warning_
from simulator.metering.true_peak import HISTORY, OverCollector, TruePeakMeter

CEILING_RANGE_DB = 0.1
_NEAR = np.float32(10.0 ** (-CEILING_RANGE_DB / 20.0))
_BINS_PER_DB = 1000.0
LARGEST = np.float32(1e6)
"""120 dB over full scale: floating point goes higher, audio does not, and its sums would overflow."""


class LevelMeter:
    """Sample peak, energy, DC and samples near the peak of one channel, segment by segment."""

    def __init__(self, sample_rate: int, channels: int, channel: int) -> None:
        self._rate, self._name = sample_rate, CHANNEL_NAMES[channels][channel]
        self._frames = 0
        self._sum = 0.0
        self.energy_sum = 0.0
        self.peak = 0.0
        self._near: dict[int, int] = {}
        self._height = np.zeros(0, dtype=np.float32)

    def add(self, samples: NDArray[np.float32]) -> None:
        """The next segment (frames,). Raises AudioError at a sample that is NaN, infinite or beyond
        LARGEST."""
        if self._height.shape != samples.shape:
            self._height = np.zeros(samples.shape, dtype=np.float32)
        height = np.abs(samples, out=self._height)
        top = height.max()  # NaN where one is
        if not top <= LARGEST:
            self._name_fault(samples)
        self.energy_sum += float(np.dot(samples, samples))
        self._sum += float(samples.sum(dtype=np.float32))
        self._frames += samples.shape[0]
        self.peak = max(self.peak, float(top))
        # The final peak is not known yet; the samples near the peak so far include all those near it.
        limit = np.float32(self.peak) * _NEAR
        if self.peak > 0.0 and top >= limit:
            self._count_near(height[np.flatnonzero(height >= limit)])

    def _count_near(self, values: NDArray[np.float32]) -> None:
        bins, counts = np.unique(
            np.floor(20.0 * _BINS_PER_DB * np.log10(values.astype(np.float64))), return_counts=True
        )
        for key, count in zip(bins.astype(int).tolist(), counts.tolist(), strict=True):
            self._near[key] = self._near.get(key, 0) + count
        lowest = math.floor(_BINS_PER_DB * (20.0 * math.log10(self.peak) - CEILING_RANGE_DB))
        if len(self._near) > 2 * _BINS_PER_DB * CEILING_RANGE_DB:
            self._near = {key: count for key, count in self._near.items() if key >= lowest}

    def _name_fault(self, samples: NDArray[np.float32]) -> None:
        first = int(np.flatnonzero(~(np.abs(samples) <= LARGEST))[0])
        if np.isnan(samples[first]):
            kind = "not a number (NaN)"
        elif np.isinf(samples[first]):
            kind = "infinite"
        else:
            kind = f"{abs(samples[first]):.2g} times full scale, which is not audio"
        at = format_time((self._frames + first) / self._rate)
        raise AudioError(
            f"the sample at {at} in channel {self._name} is {kind}.",
            "Export the file again from the session; the usual cause is a faulty plug-in.",
        )

    def dc_offset(self) -> float:
        return self._sum / self._frames if self._frames else 0.0

    def count_within(self, file_peak: float) -> int:
        """Samples within 0.1 dB below `file_peak` (resolved to 0.001 dB)."""
        if file_peak <= 0.0:
            return 0
        lowest = math.floor(_BINS_PER_DB * (20.0 * math.log10(file_peak) - CEILING_RANGE_DB))
        return sum(count for key, count in self._near.items() if key >= lowest)


LRA_RELIABLE_SECONDS = 60.0
Samples = NDArray[np.float32]
_Part = tuple["_Channel", Samples]
_Found = tuple[Samples, NDArray[np.int64], NDArray[np.float32]]
Each = Callable[[Callable[[_Part], _Found], Iterable[_Part]], Iterable[_Found]]
"""Works like the builtin `map`. It may start at once and run items in parallel, as long as items of one
position in the iterable run in the order of the calls."""


class _Channel:
    """The meters of one channel."""

    def __init__(
        self, sample_rate: int, channels: int, index: int, weight: float, bits: int | None, ceiling: float
    ) -> None:
        self.weight = weight
        self.levels = LevelMeter(sample_rate, channels, index)
        self.true_peak = TruePeakMeter(sample_rate, ceiling)
        self.clipping = ClipDetector(sample_rate, index, bits)
        self._history = max(HISTORY, self.clipping.history)
        self._window = np.zeros(self._history, dtype=np.float32)
        self._weighting = KWeighting(sample_rate) if weight else None
        self._energy = gating.StepEnergy(sample_rate)

    def work(self, samples: Samples) -> _Found:
        """Meters the next segment (frames,); returns it in one piece, with the positions and levels of the
        peaks over the ceiling."""
        window = np.empty(self._history + samples.shape[0], dtype=np.float32)
        window[: self._history] = self._window[-self._history :]
        window[self._history :] = samples
        self._window, samples = window, window[self._history :]
        self.levels.add(samples)
        self.true_peak.add_window(window[self._history - HISTORY :])
        self.clipping.add_window(window[self._history - self.clipping.history :])
        if self._weighting is not None:
            self._energy.add(self._weighting.filter(samples))
        return samples, self.true_peak.places, self.true_peak.place_peaks

    def take_fine_sums(self) -> NDArray[np.float64]:
        sums = self._energy.take_fine_sums()
        sums *= self.weight
        return sums


def measure(
    blocks: Iterable[NDArray[np.floating]],
    sample_rate: int,
    channels: int,
    *,
    bits: int | None = None,
    ceiling_dbtp: float = 0.0,
    each: Each = map,
    reads_on: bool = False,
) -> Measurement:
    """Measures a stream. With `reads_on` the next segment is read before waiting for the results of one: for
    an `each` that starts at once, and blocks that are not overwritten.

    `bits` is the integer word length of the file, None for floating point or lossy. `ceiling_dbtp` is the
    level above which the wave counts as over. Raises ValueError for a layout outside BS.1770 or a block of
    another width, AudioError for a sample that is not a number.
    """
    meters = [
        _Channel(sample_rate, channels, index, weight, bits, db_to_gain(ceiling_dbtp))
        for index, weight in enumerate(channel_weights(channels))
    ]
    overs = OverCollector(sample_rate)
    frames, cross = 0, 0.0
    for results in _by_segment(blocks, meters, each, reads_on):
        parts = list(results)
        overs.add([places for _, places, _ in parts], [peaks for _, _, peaks in parts])
        if channels > 1:
            cross += float(np.dot(parts[0][0], parts[1][0]))
        frames += parts[0][0].shape[0]
    step_peaks = [meter.true_peak.finish() for meter in meters]
    overs.add([m.true_peak.places for m in meters], [m.true_peak.place_peaks for m in meters])
    return _result(meters, overs, step_peaks, sample_rate, frames, cross)


def measure_array(
    samples: NDArray[np.floating],
    sample_rate: int,
    *,
    bits: int | None = None,
    ceiling_dbtp: float = 0.0,
    each: Each = map,
) -> Measurement:
    """Measures an array (frames,) or (frames, channels)."""
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    return measure([samples], sample_rate, channels, bits=bits, ceiling_dbtp=ceiling_dbtp, each=each)


def _by_segment(
    blocks: Iterable[NDArray[np.floating]], meters: list[_Channel], each: Each, reads_on: bool
) -> Iterator[Iterable[_Found]]:
    """The results of each segment, with `reads_on` held back until the next one is in work."""
    in_work: list[Iterable[_Found]] = []
    for segment in recut(blocks, len(meters), METER_FRAMES):
        parts = [(meter, segment[:, channel]) for channel, meter in enumerate(meters)]
        in_work.append(each(lambda part: part[0].work(part[1]), parts))
        if len(in_work) > reads_on:
            yield in_work.pop(0)
    yield from in_work


def _result(
    meters: list[_Channel],
    overs: OverCollector,
    step_peaks: list[NDArray[np.float32]],
    sample_rate: int,
    frames: int,
    cross: float,
) -> Measurement:
    channels = len(meters)
    sums = meters[0].take_fine_sums()
    for meter in meters[1:]:
        if meter.weight:
            sums += meter.take_fine_sums()
    steps = gating.step_energies(sums, sample_rate)
    momentary = gating.greatest_momentary(sums, sample_rate)
    series = Series(
        steps, np.max(step_peaks, axis=0)[: steps.shape[0]] if frames else np.zeros(0, np.float32)
    )
    figures = dynamics.figures(series.energy, series.true_peak)
    peak = max(meter.levels.peak for meter in meters)
    highest = max(meters, key=lambda meter: meter.true_peak.best)
    sample_peak = gain_to_db(peak)
    # where the samples are silence, so is their interpolation
    true_peak = None if sample_peak is None else gain_to_db(max(float(highest.true_peak.best), peak))
    energies = [
        meter.levels.energy_sum if gain_to_db(meter.levels.peak) is not None else 0.0 for meter in meters
    ]
    mean_square = sum(energies) / (frames * channels) if frames else 0.0
    integrated = gating.integrated_lufs(series.energy)
    events = overs.finish()
    runs = sorted(
        (run for meter in meters for run in meter.clipping.finish(meter.levels.peak)),
        key=lambda run: run.start_s,
    )
    near = 0 if sample_peak is None else sum(meter.levels.count_within(peak) for meter in meters)
    return Measurement(
        sample_rate=sample_rate,
        channels=channels,
        frames=frames,
        **asdict(figures),
        integrated_lufs=integrated,
        max_momentary_lufs=None if momentary is None else energy_to_lufs(momentary),
        sample_peak_dbfs=sample_peak,
        true_peak_dbtp=true_peak,
        true_peak_at_s=None if true_peak is None else highest.true_peak.best_quarter / (4 * sample_rate),
        peak_to_loudness_db=None if true_peak is None or integrated is None else true_peak - integrated,
        crest_factor_db=gain_to_db(peak / mean_square**0.5) if mean_square > 0.0 else None,
        share_at_ceiling=near / (frames * channels) if frames else 0.0,
        over_count=overs.count,
        overs=events,
        clipped_run_count=sum(meter.clipping.count for meter in meters),
        clipped_runs=tuple(runs[:100]),
        dc_offset=tuple(meter.levels.dc_offset() for meter in meters),
        correlation=_correlation(cross, energies),
        warnings=_warnings(frames / sample_rate, sample_peak is not None, integrated, figures, channels),
        series=series,
    )


def _correlation(cross: float, energies: list[float]) -> float | None:
    """Correlation of the first two channels, −1 to 1; None for mono and where one is silent."""
    if len(energies) < 2 or energies[0] <= 0.0 or energies[1] <= 0.0:
        return None
    scale: float = (energies[0] * energies[1]) ** 0.5
    return max(-1.0, min(1.0, cross / scale))


def _warnings(
    duration_s: float, sounds: bool, integrated: float | None, figures: dynamics.WindowFigures, channels: int
) -> tuple[Warning_, ...]:
    codes = []
    if not sounds:
        codes.append("silent")
    elif duration_s < 0.4:
        codes.append("too_short")
    elif integrated is None:
        codes.append("all_gated")
    if sounds and integrated is not None:
        if figures.max_short_term_lufs is None:
            codes.append("no_short_term")
        elif figures.loudness_range_lu is not None and duration_s < LRA_RELIABLE_SECONDS:
            codes.append("short_for_range")
    if channels == 1:
        codes.append("mono")
    return tuple(WARNINGS[code] for code in codes)


MOMENTARY_SECONDS = 0.4
SHORT_TERM_SECONDS = 3.0
WARM_UP_SECONDS = 0.5
"""The weighting's high-pass (38 Hz) settles in a small part of this."""
WANTED_SECONDS = SHORT_TERM_SECONDS + WARM_UP_SECONDS


@dataclass(frozen=True, slots=True)
class Reading:
    """The reading of a live meter."""

    momentary_lufs: float | None = None
    short_term_lufs: float | None = None
    true_peak_dbtp: float | None = None


def read_live(samples: NDArray[np.float32], sample_rate: int) -> Reading:
    """The reading at the end of `samples` (frames, 2), the newest last; it uses the last WANTED_SECONDS."""
    samples = samples[-seconds_to_frames(WANTED_SECONDS, sample_rate) :]
    frames = samples.shape[0]
    if not frames or not samples.any():
        return Reading()
    windows = [seconds_to_frames(seconds, sample_rate) for seconds in (MOMENTARY_SECONDS, SHORT_TERM_SECONDS)]
    energies = gating.mean_energies(samples, [max(frames - window, 0) for window in windows], sample_rate)
    recent = samples[-windows[0] :]
    peak = float(np.abs(recent).max())
    for channel in range(recent.shape[1]):
        meter = TruePeakMeter(sample_rate, 1.0)
        meter.add(np.ascontiguousarray(recent[:, channel]))
        meter.finish()
        peak = max(peak, float(meter.best))
    levels = [
        energy_to_lufs(energy) if window <= frames else None
        for energy, window in zip(energies, windows, strict=True)
    ]
    momentary, short_term = (
        None if level is None or level < gating.ABSOLUTE_GATE_LUFS else level for level in levels
    )
    return Reading(momentary, short_term, gain_to_db(peak))
