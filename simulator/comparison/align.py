"""Alignment of two versions of one song: offset, polarity, level and drift, or a refusal.

Steps: `align_coarse` finds places worth a look; each is looked at closely (`align_fine`) and judged; the best
one is brought to the first version's rate and out of its drift in one resampling (libsoxr at its highest
quality, linear phase, its delay taken off), measured to a thousandth of a frame, and set to a whole frame
where the two cancel better there. It never guesses: below the border it says "different", and where a second
place is within 10 % it says "ambiguous". A place at which the two agree badly may suffer from a drift that
the coarse look could not measure: there the windows are asked one by one, and the place is judged again along
the line that they give.

Conventions: samples float32 (frames, channels), frame 0 at time 0; places and drift as in
comparison/alignment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.units import gain_to_db
from simulator.comparison import align_coarse, align_fine
from simulator.comparison.align_coarse import CoarsePlace
from simulator.comparison.align_edits import Stretch, stretches
from simulator.comparison.align_fine import similarity
from simulator.comparison.alignment import (
    BORDER,
    Alignment,
    BandDelay,
    Edit,
    Kind,
    OffsetCandidate,
    Piece,
    confidence,
    refusal,
    with_reason,
    without_place,
)
from simulator.dsp.interpolation import read
from simulator.dsp.spectrum import BANDS

Samples = NDArray[np.float32]
NewArray = Callable[[int, int], Samples]
"""Gives an empty float32 array (frames, channels): in memory, or on scratch for long files."""

_PIECE = 1 << 17


def in_memory(frames: int, channels: int) -> Samples:
    return np.empty((frames, channels), dtype=np.float32)


def convert(
    samples: NDArray[np.floating],
    rate: int,
    wanted_rate: int,
    drift_ppm: float = 0.0,
    new_array: NewArray = in_memory,
) -> Samples:
    """`samples` at `wanted_rate`, read faster by `drift_ppm`, so that a version that has drifted by that
    much runs with the other again."""
    import soxr

    read_rate = rate * (1.0 + drift_ppm * 1e-6)
    frames, channels = samples.shape
    stream: Any = soxr.ResampleStream(read_rate, wanted_rate, channels, dtype="float32", quality="VHQ")
    out = new_array(int(np.ceil(frames * wanted_rate / read_rate)) + 1, channels)
    filled = 0
    for start in range(0, frames, _PIECE):
        piece = np.ascontiguousarray(samples[start : start + _PIECE], dtype=np.float32)
        done = stream.resample_chunk(piece, last=start + _PIECE >= frames)
        done = done[: out.shape[0] - filled]
        out[filled : filled + done.shape[0]] = done
        filled += done.shape[0]
    return out[:filled]


SHORTEST_S = 3.0
"""Versions, and common parts, shorter than this are not judged."""
LEAST_SHARE = 0.25
"""The common part must be at least this share of the shorter version."""
_JUDGING_WINDOWS = 32
_DRIFT_IN_DOUBT = 0.7
"""A place less similar than this may suffer from a drift that was not seen."""
_DRIFTS_TRIED = 3
_MOST_DRIFT_PPM = 1000.0
_ONE_PLACE_S = 0.05
"""Two places that after the close look are this near are one."""


@dataclass(frozen=True, slots=True)
class Judged:
    place: float
    drift_ppm: float
    polarity: int
    similarity: float


def judge(
    first: NDArray[np.floating],
    moved: NDArray[np.floating],
    rate: int,
    coarse_places: Sequence[CoarsePlace],
) -> list[Judged]:
    """Each place looked at closely, best first; those with too little in common are left out."""
    judged = []
    for number, one in enumerate(coarse_places):
        place = one.lag_s * rate
        shared_frames = min(first.shape[0], moved.shape[0] - place) - max(0.0, -place)
        least = max(SHORTEST_S * rate, LEAST_SHARE * min(first.shape[0], moved.shape[0]))
        if shared_frames < least:
            continue
        seen = _judge_place(first, moved, rate, place, one.drift_ppm)
        if seen is not None and seen.similarity < _DRIFT_IN_DOUBT and number < _DRIFTS_TRIED:
            followed = _follow(first, moved, rate, seen)
            seen = followed if followed and followed.similarity > seen.similarity else seen
        if seen is not None:
            judged.append(seen)
    return _apart(judged, rate)


def _judge_place(
    first: NDArray[np.floating], moved: NDArray[np.floating], rate: int, place: float, drift_ppm: float
) -> Judged | None:
    size = align_fine.FINE_WINDOW if drift_ppm else align_fine.WINDOW
    most = _JUDGING_WINDOWS * align_fine.WINDOW // size
    seen = align_fine.look(first, moved, float(round(place)), drift_ppm, most, size)
    if seen is None:
        return None
    shared = align_fine.common(seen)
    delay, polarity = align_fine.rough_delay(shared, size, search_frames(rate))
    return Judged(round(place) + delay, drift_ppm, polarity, similarity(shared, rate, size, delay))


def _follow(
    first: NDArray[np.floating], moved: NDArray[np.floating], rate: int, judged: Judged
) -> Judged | None:
    """The same place judged along the line on which each window by itself finds the other version: a drift
    that the coarse look could not measure."""
    place, drift = judged.place, judged.drift_ppm
    seen = align_fine.look(first, moved, float(round(place)), drift)
    line = None if seen is None else align_fine.rough_line(seen, 10 * search_frames(rate))
    if line is None or abs(line[1]) > _MOST_DRIFT_PPM * 1e-6:
        return None
    return _judge_place(first, moved, rate, round(place) + line[0], drift + line[1] * 1e6)


def search_frames(rate: int) -> int:
    """How far from a coarse place the exact one is looked for."""
    return max(8, round(align_fine.SEARCH_FRAMES * rate / 44_100))


def _apart(judged: list[Judged], rate: int) -> list[Judged]:
    """Best first, without those that turned out to be the place of a better one."""
    kept: list[Judged] = []
    for one in sorted(judged, key=lambda one: -one.similarity):
        if all(abs(one.place - other.place) > _ONE_PLACE_S * rate for other in kept):
            kept.append(one)
    return kept


_DRIFT_SEEN_FRAMES = 0.05
"""A drift that moves the versions by less than this over their common part is not a drift."""
_DRIFT_LEFT_FRAMES = 0.002
"""A drift that is there is followed until no more than this is left of it."""
_NEAR = 0.02
_AS_WELL = 1.0023
"""A hundredth of a dB, as a ratio of powers."""
_FITS_WELL, _ALL_FITS = 0.6, 0.97
"""Where less than the second share of the windows fits by the first, an edit is looked for."""
_LEAST_MAPPED = 0.5
_LEAST_OUTER_S = 0.5
_NO_GAP_S = 0.0005
_WHOLE = 1e-3
_PIECE_FRAMES = 1 << 18


@dataclass(frozen=True, slots=True)
class AlignedPair:
    """The alignment, and the second version ready to be laid over the first: at the first's rate, out of
    its drift, as many channels. Frame n of the first belongs to place n + `place` of it."""

    alignment: Alignment
    moved: NDArray[np.floating]
    place: float
    parts: tuple[tuple[int, int], ...] = ()
    """Frames of the first that belong to an edited second, which lies at their places in `moved`; empty where
    nothing was edited."""


def same_channels(
    first: NDArray[np.floating], second: NDArray[np.floating]
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Both with as many channels: one channel is played by both loudspeakers. Raises ValueError for
    layouts that cannot be laid over each other, and for arrays of other shapes."""
    if first.ndim != 2 or second.ndim != 2:
        raise ValueError(f"samples must be (frames, channels), not {first.shape} and {second.shape}")
    ours, theirs = first.shape[1], second.shape[1]
    if ours == theirs:
        return first, second
    if {ours, theirs} == {1, 2}:
        doubled = tuple(np.broadcast_to(one, (one.shape[0], 2)) for one in (first, second))
        return doubled[0], doubled[1]
    raise ValueError(f"{ours} and {theirs} channels cannot be aligned")


def align_and_move(
    first: NDArray[np.floating],
    first_rate: int,
    second: NDArray[np.floating],
    second_rate: int,
    new_array: NewArray = in_memory,
) -> AlignedPair:
    """How the second version lies against the first, and the second made ready for the difference; samples
    (frames, channels). Raises ValueError for channel layouts that cannot be compared."""
    found = _as_it_is(first, first_rate, second, second_rate, new_array)
    stereo = first.shape[1] == second.shape[1] == 2
    if not stereo or (found.alignment.has_place and not found.alignment.channels_swapped):
        return found
    turned = _as_it_is(first, first_rate, second[:, ::-1], second_rate, new_array)
    if not turned.alignment.has_place or turned.alignment.channels_swapped:
        plain = replace(found.alignment, channels_swapped=False)
        return replace(found, alignment=with_reason(plain) if plain.has_place else plain)
    return replace(turned, alignment=with_reason(replace(turned.alignment, channels_swapped=True)))


def _as_it_is(
    first: NDArray[np.floating],
    first_rate: int,
    second: NDArray[np.floating],
    second_rate: int,
    new_array: NewArray,
) -> AlignedPair:
    """With the channels as they are; `channels_swapped` where they look it."""
    ours, theirs = same_channels(first, second)
    shape = (first_rate, second_rate, first.shape[0], second.shape[0])
    shortest = min(first.shape[0] / first_rate, second.shape[0] / second_rate)
    if shortest < SHORTEST_S:
        return AlignedPair(without_place(shape, None, f"Too short to judge: {shortest:.1f} s."), theirs, 0.0)
    sketches = [align_coarse.sketch(first, first_rate), align_coarse.sketch(second, second_rate)]
    found = align_coarse.places(*sketches)
    if not found:
        return AlignedPair(without_place(shape, None, "One of the two versions is silent."), theirs, 0.0)
    moved = theirs if first_rate == second_rate else convert(theirs, second_rate, first_rate, 0.0, new_array)
    judged = judge(ours, moved, first_rate, found)
    best = judged[0] if judged else None
    if best is None or best.similarity < BORDER:
        return AlignedPair(refusal(shape, best.similarity if best else None), theirs, 0.0)
    return _settle(ours, theirs, moved, shape, judged, new_array)


def lay_over(
    second: NDArray[np.floating], channels: int, alignment: Alignment, new_array: NewArray = in_memory
) -> AlignedPair:
    """The second version made ready for the difference by an alignment that is already known."""
    if alignment.offset_frames is None:
        raise ValueError("versions without a place cannot be aligned")
    theirs = np.broadcast_to(second, (second.shape[0], channels)) if second.shape[1] == 1 else second
    if alignment.channels_swapped:
        theirs = theirs[:, ::-1]
    drift = alignment.drift_ppm or 0.0
    place = alignment.offset_frames * alignment.first_rate / alignment.second_rate / (1.0 + drift * 1e-6)
    if alignment.first_rate == alignment.second_rate and not drift:
        return _in_pieces(AlignedPair(alignment, theirs, alignment.offset_frames), new_array)
    moved = convert(theirs, alignment.second_rate, alignment.first_rate, drift, new_array)
    # a place within rounding of a whole frame is that frame: it was set to it
    place = float(np.rint(place)) if alignment.snapped else place
    return _in_pieces(AlignedPair(alignment, moved, place), new_array)


def _in_pieces(aligned: AlignedPair, new_array: NewArray) -> AlignedPair:
    """An edited second version put together anew, so that each piece lies where it lies in the first."""
    found = aligned.alignment
    if not found.pieces:
        return aligned
    rate, frames = found.first_rate, found.first_frames
    laid = new_array(frames, aligned.moved.shape[1])
    laid[:] = 0.0
    parts = []
    for piece in found.pieces:
        start, end = round(piece.first_start_s * rate), min(frames, round(piece.first_end_s * rate))
        place = piece.offset_s * rate / (1.0 + (found.drift_ppm or 0.0) * 1e-6)
        place = float(np.rint(place)) if abs(place - np.rint(place)) < _WHOLE else place
        for at in range(start, end, _PIECE_FRAMES):
            count = min(_PIECE_FRAMES, end - at)
            laid[at : at + count] = read(aligned.moved, at + place, count).T
        parts.append((start, end))
    return AlignedPair(found, laid, 0.0, tuple(parts))


def _mapped(
    first: NDArray[np.floating], aligned: AlignedPair, seen: align_fine.Windows, new_array: NewArray
) -> AlignedPair:
    """With the pieces of an edited version, where some windows fit badly or more than one place does."""
    found, moved, rate = aligned.alignment, aligned.moved, aligned.alignment.first_rate
    assert found.polarity is not None
    well = align_fine.agreement(seen, align_fine.common(seen), found.polarity, _FITS_WELL)
    if found.kind == "aligned" and (well is None or well >= _ALL_FITS):
        return aligned
    to_second = found.second_rate / rate * (1.0 + (found.drift_ppm or 0.0) * 1e-6)
    rivals = [one.offset_frames / to_second for one in found.candidates[1:]]
    lies = stretches(first, moved, rate, [aligned.place, *rivals], found.polarity)
    edits = _edits(lies, first.shape[0], moved.shape[0], rate, to_second / found.second_rate)
    shortest = min(first.shape[0], moved.shape[0])
    if not edits or sum(ly.end - ly.start for ly in lies) < _LEAST_MAPPED * shortest:
        return aligned
    longest = max(lies, key=lambda one: one.end - one.start)
    part = align_fine.look(first[longest.start : longest.end], moved, longest.place + longest.start)
    if part is None:  # shorter than a window
        return aligned
    shared = align_fine.common(part)
    gain, left = align_fine.level(part, found.polarity)
    alike = similarity(shared, rate, part.size, 0.0)
    pieces = tuple(
        Piece(ly.start / rate, ly.end / rate, ly.place * to_second / found.second_rate + 0.0) for ly in lies
    )
    mapped = replace(
        found,
        kind="aligned",
        offset_frames=longest.place * to_second + 0.0,
        snapped=bool(longest.place == np.rint(longest.place)),
        gain_db=gain_to_db(gain),
        null_db=None if left is None else 10.0 * float(np.log10(left)),
        similarity=alike,
        confidence=confidence(alike),
        candidates=found.candidates[:1],
        delay_by_band=_band_delays(shared, found.polarity, rate, part.size, found.second_rate / rate),
        pieces=pieces,
        edits=edits,
    )
    return _in_pieces(AlignedPair(with_reason(mapped), moved, longest.place), new_array)


def _edits(
    lies: list[Stretch], first_frames: int, second_frames: int, rate: int, to_second_s: float
) -> tuple[Edit, ...]:
    """What lies between the stretches, before the first one and after the last one."""
    found = []
    ends = [(0.0, 0.0)] + [(float(ly.end), ly.end + ly.place) for ly in lies]
    starts = [(float(ly.start), ly.start + ly.place) for ly in lies]
    starts.append((float(first_frames), float(second_frames)))
    for number, (before, after) in enumerate(zip(ends, starts, strict=True)):
        first_s, second_s = (max(0.0, (b - a) / rate) for a, b in zip(before, after, strict=True))
        outer = number in (0, len(lies))
        if outer and min(first_s, second_s) < _LEAST_OUTER_S:
            continue  # one of them only begins earlier, or goes on for longer
        first_s, second_s = (0.0 if value < _NO_GAP_S else value for value in (first_s, second_s))
        if first_s or second_s:
            found.append(Edit(before[0] / rate, before[1] * to_second_s, first_s, second_s))
    return tuple(found)


def _steeper(drift_ppm: float, slope: float) -> float:
    """The drift after a further slope (frames a frame) was found on top of it."""
    return ((1.0 + drift_ppm * 1e-6) * (1.0 + slope) - 1.0) * 1e6


def _settle(
    first: NDArray[np.floating],
    theirs: NDArray[np.floating],
    moved: NDArray[np.floating],
    shape: tuple[int, int, int, int],
    judged: list[Judged],
    new_array: NewArray,
) -> AlignedPair:
    """The best place measured exactly, out of its drift."""
    rate, second_rate = shape[:2]
    best = judged[0]
    drift, place = best.drift_ppm, best.place
    if drift:
        moved = convert(theirs, second_rate, rate, drift, new_array)
        place /= 1.0 + drift * 1e-6
        for _ in range(2):
            line = align_fine.rough_line(_look(first, moved, float(round(place))), 4 * search_frames(rate))
            if line is None or abs(line[1]) * first.shape[0] < 1.0:
                break
            place, drift = (round(place) + line[0]) / (1.0 + line[1]), _steeper(drift, line[1])
            moved = convert(theirs, second_rate, rate, drift, new_array)
    for rounds_left in (3, 2, 1, 0):
        place, seen, shared = _exact(first, moved, place, best.polarity, rate)
        slope, error = align_fine.drift_of(seen, shared, best.polarity)
        span = float(seen.starts[-1] - seen.starts[0])
        unseen = _DRIFT_LEFT_FRAMES if drift else _DRIFT_SEEN_FRAMES
        if abs(slope) * span < unseen or abs(slope) < 4.0 * error or not rounds_left:
            break
        place, drift = place / (1.0 + slope), _steeper(drift, slope)
        moved = convert(theirs, second_rate, rate, drift, new_array)
    place, snapped, seen, shared = _snap(first, moved, place, best.polarity, seen, shared)
    gain, left = align_fine.level(seen, best.polarity)
    final = similarity(shared, rate, seen.size, 0.0)
    final = final if drift else max(final, best.similarity)  # read at the moments of a drift: not before
    to_second = second_rate / rate * (1.0 + drift * 1e-6)
    rivals = [one for one in judged[1:] if one.similarity >= AMBIGUOUS_SHARE * best.similarity]
    candidates = [
        OffsetCandidate(place * to_second + 0.0, place * to_second / second_rate + 0.0, best.polarity, final)
    ]
    candidates += [
        OffsetCandidate(
            rival.place * second_rate / rate, rival.place / rate, rival.polarity, rival.similarity
        )
        for rival in rivals
    ]
    kind: Kind = "ambiguous" if rivals else "aligned"
    alignment = Alignment(
        kind=kind,
        first_rate=rate,
        second_rate=second_rate,
        first_frames=shape[2],
        second_frames=shape[3],
        offset_frames=place * to_second + 0.0,  # no −0.0
        polarity=best.polarity,
        gain_db=gain_to_db(gain),
        drift_ppm=drift,
        snapped=snapped,
        null_db=None if left is None else 10.0 * float(np.log10(left)),
        similarity=final,
        second_best=judged[1].similarity if len(judged) > 1 else None,
        confidence=confidence(final),
        candidates=tuple(candidates),
        delay_by_band=_band_delays(shared, best.polarity, rate, seen.size, second_rate / rate),
        reason="",
        agreeing_share=align_fine.agreement(seen, shared, best.polarity),
        channels_swapped=align_fine.swapped(seen),
    )
    return _mapped(first, AlignedPair(with_reason(alignment), moved, place), seen, new_array)


def _exact(
    first: NDArray[np.floating], moved: NDArray[np.floating], place: float, polarity: int, rate: int
) -> tuple[float, align_fine.Windows, align_fine.Common]:
    """The place to a thousandth of a frame: read there, look, and again."""
    search = search_frames(rate)
    for turn in range(3):
        seen = _look(first, moved, place)
        shared = align_fine.common(seen)
        start = align_fine.rough_delay(shared, seen.size, search)[0] if turn == 0 else 0.0
        delay = align_fine.exact_delay(shared, seen.size, polarity, start, align_fine.weights(shared))
        if delay is None or abs(delay) < 1e-5:
            break
        place += delay
    return place, seen, shared


def _look(first: NDArray[np.floating], moved: NDArray[np.floating], place: float) -> align_fine.Windows:
    seen = align_fine.look(first, moved, place)
    if seen is None:  # cannot be: the judging has seen a common part of SHORTEST_S
        raise ValueError("the common part is shorter than a window")
    return seen


def _snap(
    first: NDArray[np.floating],
    moved: NDArray[np.floating],
    place: float,
    polarity: int,
    seen: align_fine.Windows,
    shared: align_fine.Common,
) -> tuple[float, bool, align_fine.Windows, align_fine.Common]:
    """The nearest whole frame, if the two cancel at least as well there; or as good as: _AS_WELL within
    _NEAR of it, since copies of digital masters lie whole frames apart."""
    whole = float(np.rint(place))
    if whole == place:
        return place, True, seen, shared
    tried = _look(first, moved, whole)
    allowed = _AS_WELL if abs(whole - place) <= _NEAR else 1.0
    before, after = align_fine.level(seen, polarity)[1], align_fine.level(tried, polarity)[1]
    if after is None or (before is not None and after <= before * allowed):
        return whole, True, tried, align_fine.common(tried)
    return place, False, seen, shared


def _band_delays(
    shared: align_fine.Common, polarity: int, rate: int, size: int, to_second: float
) -> tuple[BandDelay, ...]:
    hz = np.arange(shared.coherence.shape[0]) * rate / size
    held = align_fine.weights(shared)
    delays = []
    for name, low, high in BANDS:
        inside = np.where((hz > low) & (hz <= (high or rate)), held, 0.0)
        enough = float(shared.coherence[inside > 0.0].mean()) > 0.1 if np.any(inside > 0.0) else False
        delay = align_fine.exact_delay(shared, size, polarity, 0.0, inside) if enough else None
        delays.append(BandDelay(name, low, high, None if delay is None else delay * to_second))
    return tuple(delays)


AMBIGUOUS_SHARE = 0.9
