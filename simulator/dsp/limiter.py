"""Look-ahead limiter: how far each moment must come down so that no peak passes the ceiling.

Conventions: samples float32 (frames, channels); one gain for all channels, so the stereo image stays;
reductions are magnitudes in dB. The output has exactly the input's frames, in place: the look-ahead is
taken from the stream, not added to it. Where nothing acts the samples pass untouched, bit for bit.
Working steps, all on fixed segments with their state carried over (any block size gives the same samples):
  level    the greatest magnitude at each frame: of the samples, or of the wave between them too
  wanted   ln(ceiling / level) where the level is over the ceiling, else 0
  held     the minimum of `wanted` over the look-ahead that follows (and over a hold that lies behind)
  released held, but rising by no more than the release allows (for a player straight in dB)
  smooth   the mean of `released` over the look-ahead that lies behind, under three boxes in a row
  output   input · exp(smooth)
The gain is never too high: smooth[n] is a mean, with weights of 0 or more that sum to 1, of released[n − k],
k = 0 … L; each is at most held[n − k], which is the minimum of wanted[n − k … n − k + L]; and n is among
those. So smooth[n] ≤ wanted[n].
Between the samples the same holds up to what the moving gain itself adds to the wave (its sidebands).
Source: the project's own; reading of the wave after ITU-R BS.1770-5 Annex 2 (see dsp/interpolation).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import db_to_gain
from simulator.dsp import interpolation
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.interpolation import REACH, ROW, SCREEN, SCREEN_MARGIN
from simulator.dsp.segments import SEGMENT_FRAMES, recut

DB_PER_NEPER = 20.0 / math.log(10.0)
RELEASE_DB = 10.0
"""The release time is the time in which the gain comes back by this much."""
ROUNDING = 2.5e-7
"""Two float32 roundings (of the gain and of the product) of 6e-8 each, and some more: what is limited
aims this share below the ceiling, so that no sample ends above it."""
MOST_OVERSHOOT = 6.0
"""No wave rises further above its samples than the sum of the interpolating kernel's magnitudes (3.5)."""

Values = NDArray[np.float64]
Block = NDArray[np.float32]


@dataclass(slots=True)
class LimiterReport:
    """What the limiter did: greatest reduction in dB, mean reduction in dB over all frames, and the
    share of the time with more than 1 dB of it. Filled while the stream runs, complete at its end."""

    max_reduction_db: float = 0.0
    mean_reduction_db: float = 0.0
    share_over_1_db: float = 0.0

    def watch(self, reduction_db: Values) -> None:
        """Called with the reduction of every frame at which the limiter acts or may act; for more figures."""


class Release(Protocol):
    """How the gain comes back: from `held` (the wanted gain, its minimum over the look-ahead taken) to what
    is smoothed. Natural logarithms of gains, 0 or less; never above `held`."""

    @property
    def home(self) -> bool:
        """True with the gain back at 0 and nothing remembered."""

    def follow(self, held: Values) -> Values:
        """The released gain of the next frames (frames,)."""


class StraightRelease:
    """Back straight in dB, `RELEASE_DB` in `release_ms`."""

    def __init__(self, sample_rate: int, release_ms: float) -> None:
        self._step = RELEASE_DB / DB_PER_NEPER / (release_ms * sample_rate / 1000.0)
        self._last = 0.0

    @property
    def home(self) -> bool:
        return self._last == 0.0

    def follow(self, held: Values) -> Values:
        rise = np.arange(1, held.shape[0] + 1) * self._step
        lowest = np.minimum.accumulate(np.minimum(held - rise, self._last))
        released: Values = np.minimum(lowest + rise, held)  # 0 − rise + rise is 0 exactly: it comes home
        self._last = float(released[-1])
        return released


def limit(
    blocks: Iterable[NDArray[np.floating]],
    channels: int,
    sample_rate: int,
    settings: LimiterSettings,
    report: LimiterReport,
) -> Iterator[Block]:
    """The stream held at `settings.ceiling_db`, as blocks (frames, channels) of other sizes, in all as
    many frames. "sample": no sample is above the ceiling. "true": the wave between the samples is held.
    `release_ms` is the time in which the gain comes back by 10 dB. Raises ValueError where a block has
    another number of channels."""
    release = StraightRelease(sample_rate, settings.release_ms)
    return limit_by(blocks, channels, sample_rate, settings, release, report)


def limit_by(
    blocks: Iterable[NDArray[np.floating]],
    channels: int,
    sample_rate: int,
    settings: LimiterSettings,
    release: Release,
    report: LimiterReport,
    hold_ms: float = 0.0,
    row_peaks: Block | None = None,
) -> Iterator[Block]:
    """`limit` with a release of another kind (the settings' own time is not read), and a hold: the least
    gain is kept for that long before it comes back. `row_peaks` (rows,), where known, are the greatest
    magnitudes of the wave over all channels in rows of ROW frames; only high rows are then looked at."""
    limiter = _Limiter(channels, sample_rate, settings, release, report, hold_ms, row_peaks)
    for segment in recut(blocks, channels):
        yield from limiter.push(segment)
    yield from limiter.finish()


def limit_array(
    samples: NDArray[np.floating], sample_rate: int, settings: LimiterSettings
) -> tuple[Block, LimiterReport]:
    """`limit` for samples in memory, (frames, channels) or (frames,); the result has the same shape."""
    report = LimiterReport()
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    pieces = list(limit([samples], channels, sample_rate, settings, report))
    limited = np.concatenate(pieces) if pieces else np.zeros((0, channels), dtype=np.float32)
    return (limited[:, 0] if samples.ndim == 1 else limited), report


class _Limiter:
    """One stream in work. `frames` that have come in leave `latency` frames later."""

    def __init__(
        self,
        channels: int,
        sample_rate: int,
        settings: LimiterSettings,
        release: Release,
        report: LimiterReport,
        hold_ms: float,
        row_peaks: Block | None,
    ) -> None:
        ceiling = db_to_gain(settings.ceiling_db)
        below = np.float32(ceiling)  # the greatest float32 that is not above the ceiling
        self._ceiling = below if float(below) <= ceiling else np.nextafter(below, np.float32(0.0))
        self._aim = math.log(float(self._ceiling) * (1.0 - ROUNDING))
        self._true = settings.detection == "true"
        self._screen = interpolation.Screen()
        self._look_ahead = max(1, round(settings.look_ahead_ms * sample_rate / 1000.0))
        self._release = release
        # a peak between samples binds the frames on both sides: one more is held before and after
        beside = 1 if self._true else 0
        self._window = self._look_ahead + 1 + 2 * beside + round(hold_ms * sample_rate / 1000.0)
        self._boxes = [(self._look_ahead + 3 + i) // 3 for i in range(3)]
        self._ring = REACH if self._true else 0
        self._latency = self._look_ahead + beside + self._ring
        self._samples = np.zeros((self._latency + self._ring, channels), dtype=np.float32)
        self._wanted = np.zeros(self._window - 1)
        self._released = np.zeros(self._look_ahead)
        self._position = -self._latency  # of the next frame to leave
        self._high_rows = None if row_peaks is None else self._high(row_peaks)
        self._frames = self._out = 0
        self._report = report
        self._sum_db = 0.0
        self._frames_over_1_db = 0

    def push(self, segment: Block) -> Iterator[Block]:
        """The next segment in; what is finished out."""
        self._frames += segment.shape[0]
        yield from self._advance(segment)

    def finish(self) -> Iterator[Block]:
        """What is still held."""
        if self._frames:
            yield from self._advance(np.zeros((self._latency, self._samples.shape[1]), dtype=np.float32))

    def _advance(self, segment: Block) -> Iterator[Block]:
        count = segment.shape[0]
        samples = np.concatenate([self._samples, segment])
        self._samples = samples[count:]
        curve = self._curve(self._level(samples[self._latency - self._ring :], count), count)
        ready = samples[self._ring : self._ring + count]
        skip = min(max(-self._position, 0), count)  # before the first frame there is nothing to put out
        self._position += count
        if skip == count:
            return
        ready = ready[skip:]
        if curve is None:
            self._note(None, count - skip)
            yield ready
        else:
            curve = curve[skip:]
            self._note(curve, count - skip)
            gain, out = np.exp(curve).astype(np.float32), np.empty_like(ready)
            for channel in range(ready.shape[1]):  # a broadcast over so few channels is several times slower
                np.multiply(ready[:, channel], gain, out=out[:, channel])
            yield out

    def _level(self, samples: Block, count: int) -> Block | None:
        """Greatest magnitude of any channel at each of the next `count` frames; None where all stay under
        the ceiling. For true peaks `samples` reaches REACH further on both sides, and a frame stands for
        the local maxima of the wave up to the next one (between maxima a sample is the greatest)."""
        planar = np.ascontiguousarray(samples.T)
        level = np.abs(planar[:, self._ring : self._ring + count]).max(axis=0)
        if self._true and np.abs(planar).max() * MOST_OVERSHOOT > self._ceiling:
            chosen = None if self._high_rows is None else self._chosen(self._high_rows, count)
            for channel in planar:
                place, peak = self._peaks(channel, count, chosen)
                np.maximum.at(level, place, peak)
        return level if level.max() > self._ceiling else None

    def _high(self, row_peaks: Block) -> NDArray[np.bool_]:
        """Which rows of the stream may be over the ceiling, with two before the first and what rings after
        the last. Rows at the edges of a segment count, since their peaks may lack what lies beyond it."""
        high = row_peaks >= self._ceiling * SCREEN_MARGIN * np.float32(1.0 - 1e-4)
        edge = np.arange(high.shape[0]) % (SEGMENT_FRAMES // ROW)
        high |= (edge == 0) | (edge == SEGMENT_FRAMES // ROW - 1)
        return np.pad(high, (2, self._latency // ROW + 3), constant_values=(False, True))

    def _chosen(self, high: NDArray[np.bool_], count: int) -> NDArray[np.int64]:
        """The next `count` frames' rows to look at; each lies across two of the stream's."""
        first, rows = (self._position + self._latency - REACH) // ROW + 2, -(-count // ROW)
        return np.flatnonzero(high[first : first + rows] | high[first + 1 : first + rows + 1])

    def _peaks(
        self, samples: Block, count: int, chosen: NDArray[np.int64] | None
    ) -> tuple[NDArray[np.int64], Block]:
        """Frames (from REACH on) and heights of the wave's local maxima near or over the ceiling. Those that
        can be the greatest of their row are read at 32×; the others get the most that they can be, which
        is not above the row's greatest and so costs no more than a row of holding."""
        rows = -(-count // ROW)
        samples = np.pad(samples, (0, max(0, rows * ROW + 2 * REACH - samples.shape[0])))
        wave = self._screen.look(samples, REACH, rows, chosen)
        rough = wave.max(axis=0)
        cells = interpolation.local_maxima(wave, np.flatnonzero(wave >= self._ceiling * SCREEN_MARGIN))
        line, row = np.divmod(cells, max(wave.shape[1], 1))
        quarter = (row if chosen is None else chosen.take(row)) * (ROW * SCREEN) + line
        if count < rows * ROW:  # what the last row reads beyond the end is not the stream's
            inside = quarter < count * SCREEN
            quarter, cells, row = quarter[inside], cells[inside], row[inside]
        peak = wave.ravel()[cells] / SCREEN_MARGIN
        top = np.flatnonzero(peak >= rough.take(row))
        peak[top] = interpolation.peaks_near(samples, quarter.take(top) + REACH * SCREEN)
        return quarter // SCREEN, peak

    def _curve(self, level: Block | None, count: int) -> Values | None:
        """The natural logarithm of the gain for the frames that leave now; None where it is 0 throughout."""
        if level is None and self._release.home and not self._wanted.any() and not self._released.any():
            return None
        wanted = np.zeros(count)
        if level is not None:
            over = np.flatnonzero(level > self._ceiling)
            wanted[over] = self._aim - np.log(level[over].astype(np.float64))
        joined = np.concatenate([self._wanted, wanted])
        self._wanted = joined[count:]
        released = self._release.follow(_sliding(joined, self._window, np.minimum))
        smooth = np.concatenate([self._released, released])
        self._released = smooth[count:]
        for width in self._boxes:
            smooth = _sliding(smooth, width, np.add) / width
        return smooth

    def _note(self, curve: Values | None, count: int) -> None:
        """Takes what happens to the frames that leave into the report."""
        self._out += count
        if curve is not None:
            reduction_db = curve * -DB_PER_NEPER
            self._report.watch(reduction_db)
            self._sum_db += float(reduction_db.sum())
            self._frames_over_1_db += int(np.count_nonzero(reduction_db > 1.0))
            self._report.max_reduction_db = max(self._report.max_reduction_db, float(reduction_db.max()))
        self._report.mean_reduction_db = self._sum_db / self._out
        self._report.share_over_1_db = self._frames_over_1_db / self._out


def _sliding(values: Values, width: int, join: np.ufunc) -> Values:
    """`join` (minimum or add) over each `width` neighbours: (n,) to (n − width + 1,). Windows of 1, 2, 4 …
    are made from one another and put together, so that nothing runs along and no error gathers."""
    count = values.shape[0] - width + 1
    whole: Values | None = None
    covered, size, part = 0, 1, values
    while True:
        if width & size:
            piece = part[covered : covered + count]
            whole = piece if whole is None else join(whole, piece)
            covered += size
        if covered == width:
            assert whole is not None
            return whole
        part = join(part[:-size], part[size:])
        size *= 2
