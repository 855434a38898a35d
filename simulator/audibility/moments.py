"""Figures and worst moments from the series of the meter: changes, hits, pumping, held notes.

Hits, pumping and held notes are taken without a model of hearing. All limits are the project's own choice but
two: 1.5 dB over the mask in any band makes an audible frame (ITU-R BS.1387-1, Annex 2, relative disturbed
frames; from memory); and steady noise is just heard to fluctuate where its level moves by about 0.9 dB at 4
Hz (modulation depth of −26 dB: N. F. Viemeister, JASA 66, 1979; from memory); music needs a multiple of that.

- Hits: with the treble raised by 6 dB an octave, the mean power of 12 ms is 9 dB or more above that of the 50
  ms before, more than anywhere within 50 ms; and, unweighted, the highest 3 ms are 3 dB or more above the 3 s
  around. The losses are those of that peak, matched by the 3 s around, and of that rise.
- Pumping: the gains of the frames, without movement slower than 0.5 Hz, and without what the level at the
  same moment explains (a bent line, fitted for each 3 s): a clipper or a fast limiter gives less gain to
  louder passages and is back at once; pumping gain is still down, or not yet, when the level says otherwise.
- Held notes: a note is the strongest partial between 40 Hz and 1 kHz of the sum of the channels, where it is
  steady: three frames of about 186 ms in a row within one bin and 3 dB, with four fifths of the power near it
  in its main lobe. Both versions are matched at the note itself. The second to fifth harmonics count where
  they rise by 3 dB or more: what was there before is music. Series run over frames or steps from `start_s` of
  the open version.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audibility.audibility import (
    MOMENT_S,
    Audibility,
    BandAudibility,
    Hits,
    Moment,
    MomentKind,
    apart,
)
from simulator.audibility.masking_threshold import hann, without_balance
from simulator.dsp.spectrum import BANDS, Frames, frame_of

Values = NDArray[np.float64]

AUDIBLE_DB = 1.5
ACTIVE_DB_SPL = 32.0
"""Frames below this level do not count; full scale is 92 dB SPL."""
MOST = 5
HOP_S = 0.5
STRIP_S = 1.0
_SHARE_OF_A_MOMENT = 0.1
_CHANGE_DB, _ATTACK_DB, _PUMPING_DB, _TONE_DB = 1.0, 3.0, 2.0, -30.0
_HIT_RISES_DB, _HIT_OVER_DB, _HIT_APART_S = 9.0, 3.0, 0.05
_SLOWEST_S, _FASTEST_S = 2.0, 0.05
_NOTES_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class AudibleSeries:
    """What the meter measured over time."""

    frame_s: float
    step_s: float
    nmr: NDArray[np.float32]
    """Power over mask (frames, bands), of the channel where it is highest."""
    mean_nmr: NDArray[np.float32]
    """Mean over bands and channels (frames,)."""
    gains: NDArray[np.float32]
    levels_db: NDArray[np.float32]
    """Of the open version, on the scale of the ear model (frames,)."""
    envelopes: NDArray[np.float32]
    """Power of both versions (2, steps)."""
    bright: NDArray[np.float32]
    """The same of the samples' first difference, which rises by 6 dB an octave."""
    notes: Notes
    low_hz: Values
    high_hz: Values
    start_s: float


def audibility_of(series: AudibleSeries) -> Audibility:
    """The result of one pair."""
    active = series.levels_db > ACTIVE_DB_SPL
    highest_db = 10.0 * np.log10(np.maximum(series.nmr.max(axis=1), 1e-12)).astype(np.float64)
    excess = np.where(active, np.maximum(highest_db, 0.0), 0.0)
    audible = active & (highest_db > AUDIBLE_DB)
    frames = int(np.count_nonzero(active))
    total = float(series.mean_nmr[active].mean(dtype=np.float64)) if frames else 0.0
    hit_at, hit_loss, rise_loss = _hits(series)
    swings = _swings(series, active)
    notes = np.isfinite(series.notes.hz)
    added = float(series.notes.added[notes].mean()) if notes.any() else 0.0
    kinds = (
        _changes(series, active, audible, excess),
        _attacks(series, hit_at, hit_loss),
        _pumping(series, swings),
        _tones(series),
    )
    moments = [
        moment for kind in kinds for moment in apart(sorted(kind, key=lambda moment: -moment.severity), MOST)
    ]
    moving = swings[np.isfinite(swings)]
    return Audibility(
        share_audible=int(np.count_nonzero(audible)) / frames if frames else None,
        nmr_db=_db(total),
        exceeds_db=float(highest_db[audible].mean()) if audible.any() else None,
        bands=_bands(series, active) if frames else (),
        hits=Hits(
            count=hit_at.shape[0],
            peak_loss_db=float(np.median(hit_loss)) if hit_at.shape[0] else None,
            rise_loss_db=float(np.median(rise_loss)) if hit_at.shape[0] else None,
        ),
        pumping_db=float(np.median(moving)) if moving.shape[0] else None,
        added_harmonics_db=_db(added),
        moments=tuple(moments),
        step_s=STRIP_S,
        strip_db=_strip(series, active, excess),
        start_s=series.start_s,
        strip_share=_strip(series, active, audible),
    )


def _db(power: float) -> float | None:
    return 10.0 * float(np.log10(power)) if power > 0.0 else None


def _bands(series: AudibleSeries, active: NDArray[np.bool_]) -> tuple[BandAudibility, ...]:
    middle = np.sqrt(series.low_hz * series.high_hz)
    bands = []
    for _, low, high in BANDS:
        inside = (middle >= low) & (middle < (np.inf if high is None else high))
        if not inside.any():
            continue
        nmr = series.nmr[active][:, inside]
        over = nmr.max(axis=1) > 10.0 ** (AUDIBLE_DB / 10.0)
        edges = float(series.low_hz[inside][0]), float(series.high_hz[inside][-1])
        bands.append(BandAudibility(*edges, _db(float(nmr.mean(dtype=np.float64))), float(over.mean())))
    return tuple(bands)


def _strip(series: AudibleSeries, active: NDArray[np.bool_], values: NDArray[Any]) -> tuple[float, ...]:
    """Means of the active frames over each STRIP_S."""
    second = (np.arange(active.shape[0]) * series.frame_s / STRIP_S).astype(np.int64)
    counted = np.bincount(second, active)
    return tuple((np.bincount(second, values) / np.maximum(counted, 1.0)).tolist())


def _windows(values: NDArray[Any], step_s: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Windows of MOMENT_S, HOP_S apart (windows, steps), and where they start; one where the series is
    shorter."""
    size = min(max(1, round(MOMENT_S / step_s)), max(1, values.shape[0]))
    hop = max(1, round(HOP_S / step_s))
    if not values.shape[0]:
        return values.reshape(0, size)[:0], np.zeros(0)
    seen = np.lib.stride_tricks.sliding_window_view(values, size)[::hop]
    return seen, np.arange(seen.shape[0]) * hop * step_s


def _changes(
    series: AudibleSeries, active: NDArray[np.bool_], audible: NDArray[np.bool_], excess: Values
) -> list[Moment]:
    over, starts = _windows(excess, series.frame_s)
    counted = np.maximum(_windows(active, series.frame_s)[0].sum(axis=1), 1)
    shares = _windows(audible, series.frame_s)[0].sum(axis=1) / counted
    amounts = over.sum(axis=1) / counted
    moments = []
    for index in np.flatnonzero((shares >= _SHARE_OF_A_MOMENT) & (amounts >= _CHANGE_DB)):
        first, amount = round(starts[index] / series.frame_s), float(amounts[index])
        frames = slice(first, first + over.shape[1])
        band = int(np.argmax(series.nmr[frames][active[frames]].mean(axis=0)))
        low = float(series.low_hz[max(0, band - 1)])
        high = float(series.high_hz[min(band + 1, series.high_hz.shape[0] - 1)])
        at = series.start_s + float(starts[index])
        moments.append(Moment(MomentKind.CHANGE, at, MOMENT_S, amount, amount / _CHANGE_DB, low, high))
    return moments


def _hits(series: AudibleSeries) -> tuple[Values, Values, Values]:
    """Times of the hits (s from the start), losses of their peaks and of their rises (dB)."""
    before_steps, after_steps = round(0.05 / series.step_s), round(0.012 / series.step_s)
    reach, around = round(_HIT_APART_S / series.step_s), round(MOMENT_S / 2.0 / series.step_s)
    steps = series.envelopes.shape[1]
    if steps <= before_steps + 2 * after_steps + 2:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    at = np.arange(before_steps, steps - 2 * after_steps - 1)
    mean = _Means(series.bright)
    rise = 10.0 * np.log10(mean.over(at, at + after_steps) / mean.over(at - before_steps, at))
    padded = np.pad(rise[0], reach, constant_values=-np.inf)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    candidates = np.flatnonzero(rise[0] >= _HIT_RISES_DB)
    candidates = candidates[highest[candidates].argmax(axis=1) == reach]
    where = at[candidates]
    pairs = series.envelopes[:, :-1] + series.envelopes[:, 1:]
    near = where[:, np.newaxis] + np.arange(-2, 2 * after_steps)
    peaks = pairs[:, np.clip(near, 0, pairs.shape[1] - 1)].max(axis=2) / 2.0
    mean = _Means(series.envelopes)
    peaks = peaks + mean.floors
    heard = 10.0 * np.log10(peaks[0] / mean.over(where - around, where + around)[0]) > _HIT_OVER_DB
    where, peaks = where[heard], peaks[:, heard]
    at_s = where * series.step_s
    losses = 10.0 * np.log10(peaks[0] / peaks[1]) - _levels_around_db(series.envelopes, series.step_s, at_s)
    return at_s, losses, (rise[0] - rise[1])[candidates][heard]


def _levels_around_db(envelopes: NDArray[np.float32], step_s: float, at: Values) -> Values:
    """Level of the open version over the other one in the 3 s around each moment: the median of 23 ms
    stretches, so that the hits themselves do not count."""
    width = max(1, round(0.023 / step_s))
    whole = envelopes.shape[1] // width
    powers = envelopes[:, : whole * width].reshape(2, whole, width).sum(axis=2, dtype=np.float64)
    heard = powers.min(axis=0) > 1e-7 * powers[0].max()
    ratios = np.where(heard, powers[0], np.nan) / np.where(heard, powers[1], 1.0)
    half = round(MOMENT_S / 2.0 / (width * step_s))
    padded = np.pad(ratios, half, constant_values=np.nan)
    rows = np.rint(at / (width * step_s)).astype(np.int64)[:, np.newaxis] + np.arange(2 * half)
    around = padded[np.clip(rows, 0, padded.shape[0] - 1)]
    around[~np.isfinite(around).any(axis=1)] = 1.0
    return np.asarray(10.0 * np.log10(np.nanmedian(around, axis=1)))


class _Means:
    """Mean power over stretches of an envelope (2, steps), with a floor 50 dB under the whole."""

    def __init__(self, envelope: NDArray[np.float32]) -> None:
        self._sums = np.cumsum(np.pad(envelope.astype(np.float64), ((0, 0), (1, 0))), axis=1)
        self._steps = envelope.shape[1]
        self.floors = 1e-5 * self._sums[:, -1:] / self._steps + 1e-20

    def over(self, first: NDArray[np.int64], last: NDArray[np.int64]) -> Values:
        low, high = np.maximum(first, 0), np.minimum(last, self._steps)
        return np.asarray((self._sums[:, high] - self._sums[:, low]) / (high - low) + self.floors)


def _attacks(series: AudibleSeries, at: Values, loss: Values) -> list[Moment]:
    """Windows that start a quarter of a second before a hit."""
    moments = []
    for first in at:
        inside = (at >= first) & (at < first + MOMENT_S - 0.25)
        amount = float(loss[inside].mean())
        if amount >= _ATTACK_DB:
            start = series.start_s + max(0.0, float(first) - 0.25)
            moments.append(Moment(MomentKind.ATTACK, start, MOMENT_S, amount, amount / _ATTACK_DB))
    return moments


def _swings(series: AudibleSeries, active: NDArray[np.bool_]) -> Values:
    """By window: 10th to 90th percentile of the gain's movement that the level does not explain; NaN for
    silence."""
    heard = active & (series.gains > 0.0)
    gains = 20.0 * np.log10(np.where(heard, series.gains, 1.0).astype(np.float64))
    level = np.where(heard, series.levels_db, 0.0).astype(np.float64)
    gains = _smoothed(gains, heard, round(_FASTEST_S / series.frame_s))
    gains = gains - _smoothed(gains, heard, round(_SLOWEST_S / series.frame_s))
    moving, _ = _windows(gains, series.frame_s)
    if not moving.shape[0]:
        return np.zeros(0)
    weights = _windows(heard, series.frame_s)[0].astype(np.float64)
    levels = _windows(_smoothed(level, heard, round(_FASTEST_S / series.frame_s)), series.frame_s)[0]
    counted = np.maximum(weights.sum(axis=1, keepdims=True), 1.0)
    centred = (levels - (levels * weights).sum(axis=1, keepdims=True) / counted) * weights
    bent = np.maximum(centred, 0.0)
    design = np.stack([weights, centred / 10.0, bent / 10.0], axis=2)
    squares = np.einsum("wti,wtj->wij", design, design) + 1e-3 * np.eye(3)
    line = np.linalg.solve(squares, np.einsum("wti,wt->wi", design, moving * weights)[:, :, np.newaxis])
    rest = (moving - (design @ line)[:, :, 0]) * weights
    swing = np.percentile(rest, 90.0, axis=1) - np.percentile(rest, 10.0, axis=1)
    return np.asarray(np.where(weights.mean(axis=1) >= 0.8, swing, np.nan))


def _smoothed(values: Values, heard: NDArray[np.bool_], width: int) -> Values:
    """Running mean of the heard frames over about `width` frames."""
    half = max(1, width // 2)
    index = np.arange(values.shape[0])
    low, high = np.maximum(index - half, 0), np.minimum(index + half, values.shape[0])
    if width > 2:
        high = np.minimum(high + 1, values.shape[0])
    sums = np.cumsum(np.pad(np.stack([values * heard, heard.astype(np.float64)]), ((0, 0), (1, 0))), axis=1)
    above, below = sums[:, high] - sums[:, low]
    return np.asarray(np.divide(above, below, out=np.zeros_like(above), where=below > 0.5))


def _pumping(series: AudibleSeries, swings: Values) -> list[Moment]:
    hop_s = max(1, round(HOP_S / series.frame_s)) * series.frame_s
    moments = []
    for index in np.flatnonzero(np.nan_to_num(swings) >= _PUMPING_DB).tolist():
        at, amount = series.start_s + index * hop_s, float(swings[index])
        moments.append(Moment(MomentKind.PUMPING, at, MOMENT_S, amount, amount / _PUMPING_DB))
    return moments


def _tones(series: AudibleSeries) -> list[Moment]:
    notes = series.notes
    held, starts = _windows(np.isfinite(notes.hz), notes.hop_s)
    power, _ = _windows(np.where(np.isfinite(notes.hz), notes.added, 0.0), notes.hop_s)
    counts = held.sum(axis=1)
    amounts = power.sum(axis=1) / np.maximum(counts, 1)
    enough = counts >= max(2.0, _NOTES_SHARE * held.shape[1])
    moments = []
    for index in np.flatnonzero(enough & (amounts >= 10.0 ** (_TONE_DB / 10.0))):
        first = round(starts[index] / notes.hop_s)
        hz = float(np.nanmedian(notes.hz[first : first + held.shape[1]]))
        amount = 10.0 * float(np.log10(amounts[index]))
        at, severity = series.start_s + float(starts[index]), 10.0 ** ((amount - _TONE_DB) / 20.0)
        moments.append(Moment(MomentKind.TONE, at, MOMENT_S, amount, severity, hz, hz))
    return moments


LOWEST_HZ, HIGHEST_HZ = 40.0, 1000.0
_HARMONICS = (2, 3, 4, 5)
_LOBE = 2
"""Bins to either side that hold a partial under a Hann window."""
_NEAR = 6
_STEADY_DB, _PURE, _RISES = 3.0, 0.8, 2.0


@dataclass(frozen=True, slots=True)
class Notes:
    """By frame, `hop_s` apart, the first centred on 0: `hz` is NaN without a held note; `added` is the power
    added in the harmonics, relative to the note's."""

    hop_s: float
    hz: NDArray[np.float32]
    added: NDArray[np.float32]


class HeldNotes:
    """Finds held notes in both versions. `balance` is taken out of the other one, as in
    `masking_threshold`."""

    def __init__(self, sample_rate: int, balance: Sequence[tuple[float, float]]) -> None:
        self._rate = sample_rate
        self._size = frame_of(0.186, sample_rate)
        self._balance = np.square(without_balance(balance, sample_rate, self._size))
        self._frames = Frames(hann(self._size), 2)
        self._notes: list[Values] = []

    def push(self, both: NDArray[np.float32]) -> None:
        """The next samples (2, frames) of the open version and the other one."""
        highest = int(HIGHEST_HZ * (_HARMONICS[-1] + 0.5) * self._size / self._rate) + _LOBE + 2
        for spectra in self._frames.push(both):
            near = spectra[:, :, : min(highest, self._size // 2 + 1)]
            power = near.real**2 + near.imag**2
            power[1] *= self._balance[: power.shape[2]]
            self._notes.append(self._peaks(power))

    def _peaks(self, power: NDArray[np.floating]) -> NDArray[np.float64]:
        """For each frame the note's frequency (Hz), its level (dB), how pure it is, and the power added."""
        ours, theirs = power.astype(np.float64)
        width = self._rate / self._size
        first, last = int(LOWEST_HZ / width) + 1, int(HIGHEST_HZ / width)
        rows = np.arange(ours.shape[0])
        peak = first + np.argmax(ours[:, first : last + 1], axis=1)
        left, middle, right = (np.log(np.maximum(ours[rows, peak + offset], 1e-30)) for offset in (-1, 0, 1))
        bend = left - 2.0 * middle + right
        aside = np.divide(0.5 * (left - right), bend, out=np.zeros_like(bend), where=bend < 0.0)
        position = peak + np.clip(aside, -0.5, 0.5)  # in bins
        sums = np.cumsum(np.pad(np.stack([ours, theirs]), ((0, 0), (0, 0), (1, 0))), axis=2)

        def around(side: int, centre: NDArray[np.int64], half: int) -> NDArray[np.float64]:
            low = np.clip(centre - half, 0, ours.shape[1])
            high = np.clip(centre + half + 1, 0, ours.shape[1])
            return np.asarray(sums[side, rows, high] - sums[side, rows, low])

        note, matched = around(0, peak, _LOBE), around(1, peak, _LOBE)
        pure = note / np.maximum(around(0, peak, _NEAR), 1e-30)
        gain = np.divide(note, matched, out=np.zeros_like(note), where=matched > 1e-6 * note)
        added = np.zeros_like(note)
        for harmonic in _HARMONICS:
            at = np.rint(harmonic * position).astype(np.int64)
            before, after = around(0, at, _LOBE), gain * around(1, at, _LOBE)
            added += np.where(after > _RISES * before, after - before, 0.0)
        ratio = added / np.maximum(note, 1e-30)
        return np.stack([position * width, 10.0 * np.log10(np.maximum(note, 1e-30)), pure, ratio])

    def finish(self) -> Notes:
        """The notes of all frames."""
        hop_s = self._size // 2 / self._rate
        if not self._notes:
            return Notes(hop_s, np.zeros(0, dtype=np.float32), np.zeros(0, dtype=np.float32))
        hz, level, pure, added = np.concatenate(self._notes, axis=1)
        steady = np.zeros(hz.shape[0], dtype=bool)
        near = (np.abs(np.diff(hz)) < self._rate / self._size) & (np.abs(np.diff(level)) < _STEADY_DB)
        steady[1:-1] = near[1:] & near[:-1]
        loud = level > level.max() - 40.0
        held = steady & loud & (pure > _PURE)
        return Notes(hop_s, np.where(held, hz, np.nan).astype(np.float32), added.astype(np.float32))
