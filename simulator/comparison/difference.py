"""Difference of two versions at matched level: its size, its causes, and its samples.

*Open* is the reference, *other* the version matched to it. The difference is open − gain · other over the
common part, with one least-squares gain on the K-weighted signals (ITU-R BS.1770-5, channel weights
included). `*_lu` are K-weighted powers relative to the open version's, ungated: 0 is as loud as the music,
−20 a hundredth of its power, None no power at all. It is the sum of two nearly independent signals, whose
powers add up within about half an LU (measured on limited music):
    gain riding       (curve(t) − gain) · other   explained by a moving broadband gain
    waveform change   open − curve(t) · other     the remainder
curve(t) is the least-squares gain under a Hann window of 50 ms, every 3 ms, with straight lines between;
where the other version is nearly silent it is the overall gain. `gain_riding_share` is the first power over
the sum of both. A larger difference is not lower quality: smooth gain riding leaves more than hard clipping.

Tonal balance: the one fixed filter that explains the difference, which is then no limiting. The best linear
filter from open to other (Wiener) leaves (1 − γ²) of the other's power unexplained; in that direction no
filter makes the partials that distortion adds. Where the level moves a filter would explain some of the
riding, so it is fitted twice, on the open version as it is and on the open version following the other's
level; the better fit counts. Third octaves after IEC 61260-1 (base ten): centre 1000·10^(k/10) Hz, edges
10^(±1/20) from it.

The first pass finds gain and curve, the second the spectra. Blocks are float32 (channels, frames) at the
first version's rate, the other one read at its aligned place with its polarity corrected; weighted blocks are
without LFE. The audible difference is unweighted, float32 (frames, channels), as long as the open version,
silent outside the common part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from simulator.common.channels import channel_weights, counted_channels
from simulator.common.units import gain_to_db, seconds_to_frames
from simulator.comparison.align import AlignedPair, same_channels
from simulator.comparison.align_fine import Audio
from simulator.dsp import spectrum
from simulator.dsp.interpolation import read
from simulator.dsp.k_weighting import KWeighting
from simulator.dsp.segments import SEGMENT_FRAMES

Block = NDArray[np.float32]
PART_FRAMES = 1 << 20
"""A multiple of SEGMENT_FRAMES; fixed, so that the result does not depend on how many run at once."""


METHOD = 2
"""Version of the method: raised when any number may change; stored differences carry it."""


@dataclass(frozen=True, slots=True)
class BandDifference:
    """The difference in one band, relative to the whole open version, so that bands can be compared."""

    band: str
    low_hz: float
    high_hz: float | None
    residual_lu: float | None
    gain_riding_lu: float | None
    waveform_change_lu: float | None


@dataclass(frozen=True, slots=True)
class ThirdOctave:
    """Level of the matched other version relative to the open one in a third-octave band (K-weighting cancels
    out); None where either is nearly silent there."""

    centre_hz: float
    difference_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """The matched difference of two versions, split."""

    match_gain_db: float | None = None
    """Applied to the other version; None where nothing could be matched."""
    polarity: int
    common_start_s: float
    """In the open version's time."""
    common_seconds: float
    residual_lu: float | None = None
    gain_riding_lu: float | None = None
    waveform_change_lu: float | None = None
    gain_riding_share: float | None = None
    gain_riding_range_db: float | None = None
    """Range of the gain curve: 5th to 95th percentile over the music louder than its mean power − 20 dB."""
    bands: tuple[BandDifference, ...] = ()
    linear_filter_share: float | None = None
    """Share of one fixed linear filter in all but one plain gain; a moving level is taken out first."""
    tonal_balance_differs: bool = False
    """That share is more than half: the residual must not be attributed to limiting."""
    third_octaves: tuple[ThirdOctave, ...] = ()
    reason: str
    """The result in words, or why a number is missing."""
    conversion_only: bool = False
    """The other version was converted (another rate, a drift, a fraction of a frame), and the residual is no
    more than that leaves: `residual_lu` is then the floor below which changes are hidden."""

    def as_json(self) -> dict[str, Any]:
        """The same in plain types, numbers unrounded."""
        return {
            **asdict(self),
            "bands": [asdict(band) for band in self.bands],
            "third_octaves": [asdict(band) for band in self.third_octaves],
        }


@dataclass(frozen=True, slots=True)
class Pair:
    """The open version (frames, channels), and the other one from `align_and_move` or `lay_over`."""

    open_samples: Audio
    other: Audio
    sample_rate: int
    place: float
    polarity: int
    start: int
    """First frame of the common part in the open version, and the frame after its last."""
    end: int
    parts_held: tuple[tuple[int, int], ...] = ()
    """Frames of the open version that an edited other one has; elsewhere both are silent. Empty where it has
    all of the common part."""

    @property
    def held_frames(self) -> int:
        """Frames that are compared."""
        return sum(end - start for start, end in self.parts_held) if self.parts_held else self.frames

    @property
    def frames(self) -> int:
        return self.end - self.start

    def parts(self) -> list[range]:
        """The common part in pieces that may run in parallel; frames from its start."""
        return [range(at, min(at + PART_FRAMES, self.frames)) for at in range(0, self.frames, PART_FRAMES)]

    def blocks(self, part: range | None = None) -> Iterator[tuple[int, Block, Block]]:
        """(frames from the start of the common part, open, other), unweighted; of one part, or of the
        whole."""
        stretch = range(self.frames) if part is None else part
        for at in range(stretch.start, stretch.stop, SEGMENT_FRAMES):
            count = min(SEGMENT_FRAMES, stretch.stop - at)
            ours = read(self.open_samples, float(self.start + at), count)
            if self.parts_held:
                held = np.zeros(count, dtype=bool)
                for start, end in self.parts_held:
                    held[max(0, start - self.start - at) : max(0, end - self.start - at)] = True
                ours[:, ~held] = 0.0
            theirs = read(self.other, self.start + at + self.place, count)
            yield at, ours, theirs if self.polarity > 0 else np.negative(theirs)

    def weighted(self, part: range) -> Iterator[tuple[int, Block, Block]]:
        """One part, K-weighted. The filters start a segment earlier (they settle within 50 ms)."""
        weights = channel_weights(self.open_samples.shape[1])
        counted = counted_channels(self.open_samples.shape[1])
        filters = [[KWeighting(self.sample_rate) for _ in counted] for _ in range(2)]
        warm = max(0, part.start - SEGMENT_FRAMES)
        for at, *both in self.blocks(range(warm, part.stop)):
            out = np.empty((2, len(counted), both[0].shape[1]), dtype=np.float32)
            for side, block in enumerate(both):
                for index, channel in enumerate(counted):
                    out[side, index] = filters[side][index].filter(block[channel])
                    if weights[channel] != 1.0:
                        out[side, index] *= np.float32(weights[channel] ** 0.5)
            if at >= part.start:
                yield at, out[0], out[1]


def pair_of(open_samples: Audio, aligned: AlignedPair) -> Pair:
    """The common part of the open version and an aligned other one. Raises ValueError without a place."""
    found = aligned.alignment
    if found.polarity is None:
        raise ValueError("versions without a place have no difference")
    ours, _ = same_channels(open_samples, aligned.moved)
    start = max(0, int(np.ceil(-aligned.place)))
    end = min(ours.shape[0], int(np.floor(aligned.moved.shape[0] - aligned.place)))
    if aligned.parts:
        start, end = aligned.parts[0][0], aligned.parts[-1][1]
    end = max(start, end)
    return Pair(
        ours, aligned.moved, found.first_rate, aligned.place, found.polarity, start, end, aligned.parts
    )


WINDOW_S = 0.05
STEPS_A_WINDOW = 16
_SILENT = 1e-7
"""Power relative to the other version's mean below which its gain is not followed (−70 dB)."""
_LOUD = 1e-2
_POINTS = 64
"""Samples of a frame's window: no further apart than the steps."""

Values = NDArray[np.float64]


def step_frames(sample_rate: int) -> int:
    """Frames of one step: a sixteenth of the window."""
    return max(1, seconds_to_frames(WINDOW_S / STEPS_A_WINDOW, sample_rate))


@dataclass(frozen=True, slots=True)
class GainCurve:
    """Gain by step; `gains[k]` holds at the middle of step k."""

    gains: Values
    step: int
    range_db: float | None
    """5th to 95th percentile, where the open version is louder than its mean power − 20 dB."""

    def over(self, start: int, count: int) -> Values:
        """The gain at each of `count` frames from `start` of the common part (count,)."""
        at = (np.arange(start, start + count) + 0.5) / self.step - 0.5
        return np.asarray(np.interp(at, np.arange(self.gains.shape[0]), self.gains))


@dataclass(frozen=True, slots=True)
class GainFollowing:
    """For spectra: the gain from the open version to the other one over each of the overlapping frames of
    dsp/spectrum, from sums by step of open·other and open²; 0 where a gate is shut."""

    cross: Values
    open_power: Values
    step: int

    def over(self, start: int, first: int, count: int, size: int) -> NDArray[np.float32]:
        """Gains of `count` frames of `size` from frame number `first` (count,); frame 0 starts half a frame
        before `start` of the common part, the next ones half a frame apart."""
        at = start + (first + np.arange(count)[:, np.newaxis]) * (size // 2) - size // 2
        at = at + (np.arange(_POINTS) + 0.5) * (size / _POINTS)
        taper = np.sin(np.pi * (np.arange(_POINTS) + 0.5) / _POINTS) ** 2
        steps = np.floor(at / self.step).astype(np.int64)
        inside = (steps >= 0) & (steps < self.cross.shape[0])
        steps = np.clip(steps, 0, max(self.cross.shape[0] - 1, 0))
        above, below = (np.where(inside, sums[steps], 0.0) @ taper for sums in (self.cross, self.open_power))
        floor = _SILENT * float(self.open_power.mean()) * _POINTS / 2.0
        gains = np.divide(above, below, out=np.zeros_like(above), where=below > floor)
        return np.asarray(np.maximum(gains, 0.0), dtype=np.float32)


def gain_curve(cross: Values, other_power: Values, open_power: Values, gain: float, step: int) -> GainCurve:
    """The curve from sums by step: of open·other, other² and open²."""
    taper = np.sin(np.pi * (np.arange(STEPS_A_WINDOW) + 0.5) / STEPS_A_WINDOW) ** 2
    taper = np.convolve(taper, [0.5, 0.5])  # of odd length, so that its middle is a step
    floor = _SILENT * taper.sum() * float(other_power.mean()) if other_power.shape[0] else 0.0
    half = taper.shape[0] // 2

    def smooth(sums: Values) -> Values:
        return np.asarray(np.convolve(sums, taper)[half : half + sums.shape[0]])

    above = smooth(cross) + floor * gain
    below = smooth(other_power) + floor
    gains = np.divide(above, below, out=np.full_like(above, gain), where=below > 0.0)
    loudness = smooth(open_power)
    loud = (loudness > _LOUD * loudness.mean()) & (gains > 0.0)
    spread = None
    if loud.any():
        low, high = np.percentile(20.0 * np.log10(gains[loud]), [5.0, 95.0])
        spread = float(high - low)
    return GainCurve(gains, step, spread)


EXPLAINS = 0.5
BALANCE_DB = 0.2
"""A smaller variation across third octaves does not count as a tonal balance."""
_FIRST, _LAST = -13, 13
"""50 Hz to 20 kHz: lower bands are narrower than the frames resolve."""
_FLOOR = 1e-9
_LEAKAGE = 1e-7


@dataclass(frozen=True, slots=True)
class Fitted:
    """The other version as a filter on the open one, and the remainder; powers in the other's scale."""

    filter_share: float
    """The filter's share of all but one plain gain: filter, moving level, remainder."""
    left: float
    moves: bool
    """The open version first followed the other one's level."""


def fit(
    ridden_power: Values,
    ridden_cross: NDArray[np.complex128],
    open_power: Values,
    cross: NDArray[np.complex128],
    other_power: Values,
) -> Fitted:
    """The best filter on the open version after following the other's level (`ridden_*`; the same as
    `open_power` and `cross` where its level stays). With h(t) that level and H the filter, the other version
    is
        g·open + (h − g)·open + h·(H − 1)·open + rest
    with g the best plain gain, and the level of H such that h·(H − 1)·open has nothing of h·open. Bins in
    which the open version has less than _LEAKAGE of its strongest one are the skirts of others."""
    held = ridden_power > _LEAKAGE * float(ridden_power.max())
    power = np.where(held, ridden_power, 1.0)
    explained = np.where(held, np.abs(ridden_cross) ** 2 / power, 0.0)
    left = float(np.maximum(other_power - explained, 0.0).sum())
    whole, along = float(ridden_power.sum()), float(ridden_cross.real.sum())
    level = along / whole if whole > 0.0 else 0.0
    by_filter = max(0.0, float(explained.sum()) - level * along)
    plain = float(cross.real.sum()) ** 2 / float(open_power.sum())
    by_level = max(0.0, level * along - plain)
    total = by_filter + by_level + left
    return Fitted(by_filter / total if total > 0.0 else 0.0, left, ridden_power is not open_power)


def third_octaves(
    open_power: Values, other_power: Values, gain: float, sample_rate: int
) -> tuple[ThirdOctave, ...]:
    """Level of the matched other version relative to the open one, by third octave below half the rate."""
    octaves = []
    for number in range(_FIRST, _LAST + 1):
        centre = 1000.0 * 10.0 ** (number / 10.0)
        if centre * 10.0**0.05 > sample_rate / 2:
            break
        held = spectrum.inside(sample_rate, centre * 10.0**-0.05, centre * 10.0**0.05)
        ours, theirs = float(open_power[held].sum()), gain * gain * float(other_power[held].sum())
        enough = min(ours, theirs) > _FLOOR * float(open_power.sum())
        octaves.append(ThirdOctave(centre, 10.0 * float(np.log10(theirs / ours)) if enough else None))
    return tuple(octaves)


ROUNDING_LU = -110.0
"""Below this the residual is rounding of float32 and of the filters, and is not split."""
_CONVERSION_LU, _BELOW_LU, _EDGE_LU = -60.0, -75.0, -50.0
_BETWEEN = 1e-6
CONVERTED = "The two are the same apart from conversion; any change smaller than the residual is hidden."

Each = Callable[[Callable[[range], Any], Iterable[range]], Iterable[Any]]


@dataclass(frozen=True, slots=True)
class Matched:
    """The difference as numbers, and the values to make its audio."""

    difference: Difference
    pair: Pair
    gain: float
    """Linear, for the other version with corrected polarity."""
    curve: GainCurve


@dataclass(slots=True)
class _Sums:
    """Spectra summed over frames and channels, by bin. `ridden_*` are of the open version following the
    other's level."""

    open_power: Values
    other_power: Values
    cross: NDArray[np.complex128]
    residual: Values
    riding: Values
    change: Values
    ridden_power: Values
    ridden_cross: NDArray[np.complex128]

    @classmethod
    def zero(cls, bins: int) -> _Sums:
        sums: dict[str, Any] = {
            field.name: np.zeros(bins, np.complex128 if "cross" in field.name else np.float64)
            for field in fields(cls)
        }
        return cls(**sums)

    def add(self, spectra: spectrum.Spectra, gain: float, follow: NDArray[np.float32]) -> None:
        """Takes spectra (open, other and riding; channels, frames, bins). `follow`: the gain from the open
        version to the other one (frames,)."""
        ridden = (spectra[0] * follow[:, np.newaxis]).reshape(-1, spectra.shape[3])
        ours, theirs, riding = spectra.reshape(3, -1, spectra.shape[3])
        self.ridden_power += _power(ridden)
        self.ridden_cross += np.einsum("kf,kf->f", ridden, theirs.conj())
        self.open_power += _power(ours)
        self.other_power += _power(theirs)
        self.cross += np.einsum("kf,kf->f", ours, theirs.conj())
        self.riding += _power(riding)
        theirs *= np.float32(gain)
        ours -= theirs
        self.residual += _power(ours)
        ours -= riding
        self.change += _power(ours)


def measure_difference(open_samples: Audio, aligned: AlignedPair, each: Each = map) -> Matched:
    """The difference of the open version (frames, channels) and the aligned other one. `each` works on the
    parts of the common part: a thread pool's `map` gives the same result sooner. Raises ValueError without a
    place."""
    pair = pair_of(open_samples, aligned)
    cross, other_power, open_power = _step_sums(pair, each)
    total, ours = float(other_power.sum()), float(open_power.sum())
    gain = float(cross.sum()) / total if total > 0.0 else 0.0
    curve = gain_curve(cross, other_power, open_power, gain, step_frames(pair.sample_rate))
    if not total > 0.0 or not ours > 0.0 or not gain > 0.0:
        return Matched(_unmatched(pair), pair, 0.0, curve)
    follow = GainFollowing(cross, open_power, step_frames(pair.sample_rate))
    sums = _spectra(pair, gain, curve, follow, each)
    return Matched(_difference(pair, gain, curve, sums, _converted(aligned)), pair, gain, curve)


def _converted(aligned: AlignedPair) -> bool:
    """The other version was resampled, or read between its frames."""
    found = aligned.alignment
    places = [aligned.place, *(piece.offset_s * found.second_rate for piece in found.pieces)]
    between = any(abs(place - np.rint(place)) > _BETWEEN for place in places)
    return found.first_rate != found.second_rate or bool(found.drift_ppm) or between


def _step_sums(pair: Pair, each: Each) -> tuple[Values, Values, Values]:
    """Sums of open·other, other² and open² by step of the gain curve, K-weighted."""
    step = step_frames(pair.sample_rate)
    sums = np.zeros((3, max(1, -(-pair.frames // step))))

    def of_part(part: range) -> tuple[int, Values]:
        base = part.start // step
        own = np.zeros((3, -(-part.stop // step) - base))
        for at, ours, theirs in pair.weighted(part):
            first = at // step
            edges = np.arange(first, -(-(at + ours.shape[1]) // step)) * step - at
            edges[0] = 0
            for row, (a, b) in enumerate(((ours, theirs), (theirs, theirs), (ours, ours))):
                product = np.einsum("cn,cn->n", a, b, dtype=np.float64)
                own[row, first - base : first - base + edges.shape[0]] += np.add.reduceat(product, edges)
        return base, own

    for base, own in each(of_part, pair.parts()):
        sums[:, base : base + own.shape[1]] += own
    return sums[0], sums[1], sums[2]


def _spectra(pair: Pair, gain: float, curve: GainCurve, follow: GainFollowing, each: Each) -> _Sums:
    size = spectrum.frame_size(pair.sample_rate)
    counted = len(counted_channels(pair.open_samples.shape[1]))

    def spectra_of(part: range) -> Iterator[spectrum.Spectra]:
        frames = spectrum.Frames(spectrum.sine_window(pair.sample_rate), 3, counted)
        for at, ours, theirs in pair.weighted(part):
            riding = theirs * (curve.over(at, ours.shape[1]) - gain).astype(np.float32)
            yield from frames.push(np.stack([ours, theirs, riding]))
        yield from frames.finish()

    def of_part(part: range) -> _Sums:
        sums, done = _Sums.zero(size // 2 + 1), 0
        for spectra in spectra_of(part):
            sums.add(spectra, gain, follow.over(part.start, done, spectra.shape[2], size))
            done += spectra.shape[2]
        return sums

    whole = _Sums.zero(size // 2 + 1)
    weight = spectrum.bin_weights(pair.sample_rate)
    for sums in each(of_part, pair.parts()):
        for field in fields(_Sums):
            getattr(whole, field.name)[:] += getattr(sums, field.name) * weight
    return whole


def _power(spectra: NDArray[np.complex64]) -> Values:
    parts = spectra.view(np.float32)
    squares = np.einsum("kf,kf->f", parts, parts).astype(np.float64)
    return np.asarray(squares.reshape(-1, 2).sum(axis=1))


def _difference(pair: Pair, gain: float, curve: GainCurve, sums: _Sums, converted: bool) -> Difference:
    rate = pair.sample_rate
    whole = float(sums.open_power.sum())
    residual, riding, change = (float(part.sum()) for part in (sums.residual, sums.riding, sums.change))
    level = _level(residual, whole)
    split = level is not None and level > ROUNDING_LU
    octaves = third_octaves(sums.open_power, sums.other_power, gain, rate)
    fitted = None
    if split:
        still = fit(sums.open_power, sums.cross, sums.open_power, sums.cross, sums.other_power)
        moving = fit(sums.ridden_power, sums.ridden_cross, sums.open_power, sums.cross, sums.other_power)
        fitted = moving if moving.left < still.left else still
    share = None if fitted is None else fitted.filter_share
    by_band = tuple(_bands(sums, whole, rate)) if split else ()
    only = converted and split and _conversion_only(level, by_band)
    flagged = share is not None and share > EXPLAINS and not only
    if fitted is not None and flagged and fitted.moves:  # the balance is that of the filter alone
        octaves = third_octaves(sums.ridden_power, sums.other_power, 1.0, rate)
    return Difference(
        match_gain_db=gain_to_db(gain),
        polarity=pair.polarity,
        common_start_s=pair.start / rate,
        common_seconds=pair.held_frames / rate,
        residual_lu=level,
        gain_riding_lu=_level(riding, whole) if split else None,
        waveform_change_lu=_level(change, whole) if split else None,
        gain_riding_share=riding / (riding + change) if split else None,
        gain_riding_range_db=curve.range_db,
        bands=by_band,
        linear_filter_share=share,
        tonal_balance_differs=flagged,
        third_octaves=octaves,
        reason=CONVERTED if only else _reason(level, split, flagged, octaves),
        conversion_only=only,
    )


def _conversion_only(level: float | None, by_band: tuple[BandDifference, ...]) -> bool:
    """No more than conversion left of four songs: −60 LU in all, or next to nothing below the highest band,
    where converters cut off differently (there up to −53 LU)."""
    below = [band.residual_lu for band in by_band[:-1] if band.residual_lu is not None]
    highest = by_band[-1].residual_lu if by_band else None
    edge = all(residual <= _BELOW_LU for residual in below) and (highest is None or highest <= _EDGE_LU)
    return level is not None and (level <= _CONVERSION_LU or edge)


def _bands(sums: _Sums, whole: float, rate: int) -> list[BandDifference]:
    bands = []
    for name, low, high in spectrum.BANDS:
        held = spectrum.inside(rate, low, high)
        levels = (
            _level(float(part[held].sum()), whole) for part in (sums.residual, sums.riding, sums.change)
        )
        bands.append(BandDifference(name, low, high, *levels))
    return bands


def _level(power: float, whole: float) -> float | None:
    return 10.0 * float(np.log10(power / whole)) if power > 0.0 else None


def _reason(level: float | None, split: bool, flagged: bool, octaves: tuple[ThirdOctave, ...]) -> str:
    if not split:
        return f"Apart from gain the two are identical, to {'the last bit' if level is None else 'rounding'}."
    levels = [band.difference_db for band in octaves if band.difference_db is not None]
    if flagged and levels and max(levels) - min(levels) >= BALANCE_DB:
        return "The tonal balance differs; the residual is not attributed to limiting."
    if flagged:
        return "A phase-shifting filter explains most of it; the residual is not attributed to limiting."
    return "No single fixed filter explains it: the level moves, or the waveform itself changed."


def _unmatched(pair: Pair) -> Difference:
    return Difference(
        polarity=pair.polarity,
        common_start_s=pair.start / pair.sample_rate,
        common_seconds=pair.held_frames / pair.sample_rate,
        reason="Nothing to match: one of the two is silent in the common part.",
    )


Part = Literal["residual", "gain_riding", "waveform_change"]


def difference_blocks(matched: Matched, part: Part = "residual") -> Iterator[NDArray[np.float32]]:
    """The samples of the difference, open − gain·other, or of one part."""
    pair = matched.pair
    channels = pair.open_samples.shape[1]
    yield from _silence(pair.start, channels)
    for at, ours, theirs in pair.blocks():
        if part == "residual":
            block = ours - np.float32(matched.gain) * theirs
        else:
            moving = matched.curve.over(at, ours.shape[1])
            if part == "gain_riding":
                block = (moving - matched.gain).astype(np.float32) * theirs
            else:
                block = ours - moving.astype(np.float32) * theirs
        yield np.ascontiguousarray(block.T)
    yield from _silence(pair.open_samples.shape[0] - pair.end, channels)


def _silence(frames: int, channels: int) -> Iterator[NDArray[np.float32]]:
    for start in range(0, frames, SEGMENT_FRAMES):
        yield np.zeros((min(SEGMENT_FRAMES, frames - start), channels), dtype=np.float32)
