"""Alignment of two versions of one song: offset, polarity, level and drift, or a refusal.

Steps: `align_coarse` finds candidate places; each is judged by its similarity (`align_fine`). For the best
one the second version is resampled to the first's rate and out of its drift in one go (libsoxr at its highest
quality, linear phase), the place measured to a thousandth of a frame, and set to a whole frame where the two
cancel better there. It never guesses: below the border the answer is "different", and where a second place is
within 10 %, "ambiguous". A poor match may be due to a drift that the coarse search could not measure: there
the windows are measured one by one, and the place is judged again along their line.

Samples are float32 (frames, channels), frame 0 at time 0; places and drift as in comparison/alignment.
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
from simulator.comparison.align_fine import Audio, similarity
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
)
from simulator.dsp.interpolation import read
from simulator.dsp.spectrum import BANDS

Samples = NDArray[np.float32]
NewArray = Callable[[int, int], Samples]
"""Gives an empty float32 array (frames, channels): in memory, or on scratch for long files."""
Shape = tuple[int, int, int, int]
"""Both rates (Hz), both lengths (frames)."""
_PIECE = 1 << 17


def in_memory(frames: int, channels: int) -> Samples:
    return np.empty((frames, channels), dtype=np.float32)


def convert(
    samples: Audio,
    rate: int,
    wanted_rate: int,
    drift_ppm: float = 0.0,
    new_array: NewArray = in_memory,
) -> Samples:
    """`samples` at `wanted_rate`, read faster by `drift_ppm` to correct that drift."""
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
"""Shorter versions and common parts are not judged."""
LEAST_SHARE = 0.25
"""Least common part, as a share of the shorter version."""
_JUDGING_WINDOWS = 32
_DRIFT_IN_DOUBT = 0.7
"""A place of lower similarity may have an unmeasured drift."""
_DRIFTS_TRIED = 3
_MOST_DRIFT_PPM = 1000.0
_ONE_PLACE_S = 0.05
"""Two judged places this near are one."""


@dataclass(frozen=True, slots=True)
class Judged:
    place: float
    drift_ppm: float
    polarity: int
    similarity: float


def judge(
    first: Audio,
    moved: Audio,
    rate: int,
    coarse_places: Sequence[CoarsePlace],
) -> list[Judged]:
    """The places with enough in common and their similarity, best first, each once."""
    judged = []
    least = max(SHORTEST_S * rate, LEAST_SHARE * min(first.shape[0], moved.shape[0]))
    for number, coarse in enumerate(coarse_places):
        place = coarse.lag_s * rate
        if min(first.shape[0], moved.shape[0] - place) - max(0.0, -place) < least:
            continue
        result = _judge_place(first, moved, rate, place, coarse.drift_ppm)
        if result is not None and result.similarity < _DRIFT_IN_DOUBT and number < _DRIFTS_TRIED:
            followed = _follow(first, moved, rate, result)
            result = followed if followed and followed.similarity > result.similarity else result
        if result is not None:
            judged.append(result)
    kept: list[Judged] = []
    for result in sorted(judged, key=lambda one: -one.similarity):
        if all(abs(result.place - other.place) > _ONE_PLACE_S * rate for other in kept):
            kept.append(result)
    return kept


def _judge_place(first: Audio, moved: Audio, rate: int, place: float, drift_ppm: float) -> Judged | None:
    size = align_fine.FINE_WINDOW if drift_ppm else align_fine.WINDOW
    most = _JUDGING_WINDOWS * align_fine.WINDOW // size
    seen = align_fine.look(first, moved, float(round(place)), drift_ppm, most, size)
    if seen is None:
        return None
    shared = align_fine.common(seen)
    delay, polarity = align_fine.rough_delay(shared, size, align_fine.search_frames(rate))
    return Judged(round(place) + delay, drift_ppm, polarity, similarity(shared, rate, size, delay))


def _follow(first: Audio, moved: Audio, rate: int, judged: Judged) -> Judged | None:
    """The same place judged along the line through each window's own match: a drift that the coarse search
    could not measure."""
    place, drift = judged.place, judged.drift_ppm
    seen = align_fine.look(first, moved, float(round(place)), drift)
    line = None if seen is None else align_fine.rough_line(seen, 10 * align_fine.search_frames(rate))
    if line is None or abs(line[1]) > _MOST_DRIFT_PPM * 1e-6:
        return None
    return _judge_place(first, moved, rate, round(place) + line[0], drift + line[1] * 1e6)


_DRIFT_SEEN_FRAMES = 0.05
"""Less movement than this over the common part is no drift."""
_DRIFT_LEFT_FRAMES = 0.002
"""A drift is corrected until no more than this remains."""
_NEAR = 0.02
_AS_WELL = 1.0023
"""0.01 dB as a ratio of powers."""
_FITS_WELL, _ALL_FITS = 0.6, 0.97
"""Where less than the second share of the windows matches by the first, edits are searched for."""
_LEAST_MAPPED = 0.5
_LEAST_OUTER_S = 0.5
_NO_GAP_S = 0.0005
_WHOLE = 1e-3
_PIECE_FRAMES = 1 << 18


@dataclass(frozen=True, slots=True)
class AlignedPair:
    """The alignment, and the second version ready for the difference: at the first's rate, drift corrected,
    as many channels. Frame n of the first is at n + `place` of it."""

    alignment: Alignment
    moved: Audio
    place: float
    parts: tuple[tuple[int, int], ...] = ()
    """Frames of the first that an edited second has, at the same frames of `moved`; empty without edits."""


def same_channels(first: Audio, second: Audio) -> tuple[Audio, Audio]:
    """Both with as many channels, mono on both loudspeakers. Raises ValueError for layouts that cannot be
    aligned, and for arrays of other shapes."""
    if first.ndim != 2 or second.ndim != 2:
        raise ValueError(f"samples must be (frames, channels), not {first.shape} and {second.shape}")
    ours, theirs = first.shape[1], second.shape[1]
    if ours == theirs:
        return first, second
    if {ours, theirs} == {1, 2}:
        return np.broadcast_to(first, (first.shape[0], 2)), np.broadcast_to(second, (second.shape[0], 2))
    raise ValueError(f"{ours} and {theirs} channels cannot be aligned")


def align_and_move(
    first: Audio,
    first_rate: int,
    second: Audio,
    second_rate: int,
    new_array: NewArray = in_memory,
) -> AlignedPair:
    """The alignment of the second version with the first, and the second ready for the difference; samples
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
    first: Audio,
    first_rate: int,
    second: Audio,
    second_rate: int,
    new_array: NewArray,
) -> AlignedPair:
    """The alignment with the channels as they are; `channels_swapped` where they seem to be."""
    ours, theirs = same_channels(first, second)
    shape = (first_rate, second_rate, first.shape[0], second.shape[0])
    shortest = min(first.shape[0] / first_rate, second.shape[0] / second_rate)
    if shortest < SHORTEST_S:
        reason = f"Too short to judge: {shortest:.1f} s."
        return AlignedPair(Alignment("different", *shape, reason=reason), theirs, 0.0)
    coarse = align_coarse.places(
        align_coarse.sketch(first, first_rate), align_coarse.sketch(second, second_rate)
    )
    if not coarse:
        reason = "One of the two versions is silent."
        return AlignedPair(Alignment("different", *shape, reason=reason), theirs, 0.0)
    moved = theirs if first_rate == second_rate else convert(theirs, second_rate, first_rate, 0.0, new_array)
    judged = judge(ours, moved, first_rate, coarse)
    if not judged or judged[0].similarity < BORDER:
        return AlignedPair(refusal(shape, judged[0].similarity if judged else None), theirs, 0.0)
    return _settle(ours, theirs, moved, shape, judged, new_array)


def lay_over(
    second: Audio, channels: int, alignment: Alignment, new_array: NewArray = in_memory
) -> AlignedPair:
    """The second version made ready for the difference by a known alignment."""
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
    # a snapped place was a whole frame before rounding
    place = float(np.rint(place)) if alignment.snapped else place
    return _in_pieces(AlignedPair(alignment, moved, place), new_array)


def _in_pieces(aligned: AlignedPair, new_array: NewArray) -> AlignedPair:
    """An edited second version rebuilt, each piece at its frames in the first."""
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


def _mapped(first: Audio, aligned: AlignedPair, seen: align_fine.Windows, new_array: NewArray) -> AlignedPair:
    """With the pieces of an edited version, where some windows match badly or more than one place matches."""
    found, moved, rate = aligned.alignment, aligned.moved, aligned.alignment.first_rate
    assert found.polarity is not None
    well = align_fine.agreement(seen, align_fine.common(seen), found.polarity, _FITS_WELL)
    if found.kind == "aligned" and (well is None or well >= _ALL_FITS):
        return aligned
    to_second = found.second_rate / rate * (1.0 + (found.drift_ppm or 0.0) * 1e-6)
    rivals = [candidate.offset_frames / to_second for candidate in found.candidates[1:]]
    mapped = stretches(first, moved, rate, [aligned.place, *rivals], found.polarity)
    edits = _edits(mapped, first.shape[0], moved.shape[0], rate, to_second / found.second_rate)
    shortest = min(first.shape[0], moved.shape[0])
    if not edits or sum(stretch.end - stretch.start for stretch in mapped) < _LEAST_MAPPED * shortest:
        return aligned
    longest = max(mapped, key=lambda stretch: stretch.end - stretch.start)
    part = align_fine.look(first[longest.start : longest.end], moved, longest.place + longest.start)
    if part is None:  # shorter than a window
        return aligned
    shared = align_fine.common(part)
    gain, left = align_fine.level(part, found.polarity)
    alike = similarity(shared, rate, part.size, 0.0)
    pieces = tuple(
        Piece(stretch.start / rate, stretch.end / rate, stretch.place * to_second / found.second_rate + 0.0)
        for stretch in mapped
    )
    alignment = replace(
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
    return _in_pieces(AlignedPair(with_reason(alignment), moved, longest.place), new_array)


def _edits(
    mapped: list[Stretch], first_frames: int, second_frames: int, rate: int, to_second_s: float
) -> tuple[Edit, ...]:
    """The edits between the stretches, before the first one and after the last one."""
    edits = []
    ends = [(0.0, 0.0)] + [(float(stretch.end), stretch.end + stretch.place) for stretch in mapped]
    starts = [(float(stretch.start), stretch.start + stretch.place) for stretch in mapped]
    starts.append((float(first_frames), float(second_frames)))
    for number, (before, after) in enumerate(zip(ends, starts, strict=True)):
        first_s, second_s = (max(0.0, (b - a) / rate) for a, b in zip(before, after, strict=True))
        outer = number in (0, len(mapped))
        if outer and min(first_s, second_s) < _LEAST_OUTER_S:
            continue  # one of them only starts earlier or ends later
        first_s, second_s = (0.0 if value < _NO_GAP_S else value for value in (first_s, second_s))
        if first_s or second_s:
            edits.append(Edit(before[0] / rate, before[1] * to_second_s, first_s, second_s))
    return tuple(edits)


def _steeper(drift_ppm: float, slope: float) -> float:
    """The drift with a further slope (frames per frame) on top."""
    return ((1.0 + drift_ppm * 1e-6) * (1.0 + slope) - 1.0) * 1e6


def _settle(
    first: Audio,
    theirs: Audio,
    moved: Audio,
    shape: Shape,
    judged: list[Judged],
    new_array: NewArray,
) -> AlignedPair:
    """The best place measured exactly, its drift corrected."""
    rate, second_rate = shape[:2]
    best = judged[0]
    drift, place = best.drift_ppm, best.place
    if drift:
        moved = convert(theirs, second_rate, rate, drift, new_array)
        place /= 1.0 + drift * 1e-6
        for _ in range(2):
            seen = _look(first, moved, float(round(place)))
            line = align_fine.rough_line(seen, 4 * align_fine.search_frames(rate))
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
    final = final if drift else max(final, best.similarity)
    to_second = second_rate / rate * (1.0 + drift * 1e-6)
    offset = place * to_second
    candidates = [OffsetCandidate(offset + 0.0, offset / second_rate + 0.0, best.polarity, final)]
    rivals = [rival for rival in judged[1:] if rival.similarity >= AMBIGUOUS_SHARE * best.similarity]
    for rival in rivals:
        offset_s = rival.place / rate
        offset_frames = rival.place * second_rate / rate
        candidates.append(OffsetCandidate(offset_frames, offset_s, rival.polarity, rival.similarity))
    kind: Kind = "ambiguous" if rivals else "aligned"
    alignment = Alignment(
        kind=kind,
        first_rate=rate,
        second_rate=second_rate,
        first_frames=shape[2],
        second_frames=shape[3],
        offset_frames=offset + 0.0,  # no −0.0
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
        agreeing_share=align_fine.agreement(seen, shared, best.polarity),
        channels_swapped=align_fine.swapped(seen),
    )
    return _mapped(first, AlignedPair(with_reason(alignment), moved, place), seen, new_array)


def _exact(
    first: Audio, moved: Audio, place: float, polarity: int, rate: int
) -> tuple[float, align_fine.Windows, align_fine.Common]:
    """The place to a thousandth of a frame, read and measured again until nothing moves."""
    search = align_fine.search_frames(rate)
    for turn in range(3):
        seen = _look(first, moved, place)
        shared = align_fine.common(seen)
        start = align_fine.rough_delay(shared, seen.size, search)[0] if turn == 0 else 0.0
        delay = align_fine.exact_delay(shared, seen.size, polarity, start, align_fine.weights(shared))
        if delay is None or abs(delay) < 1e-5:
            break
        place += delay
    return place, seen, shared


def _look(first: Audio, moved: Audio, place: float) -> align_fine.Windows:
    seen = align_fine.look(first, moved, place)
    if seen is None:  # impossible: a judged place has a common part of SHORTEST_S
        raise ValueError("the common part is shorter than a window")
    return seen


def _snap(
    first: Audio,
    moved: Audio,
    place: float,
    polarity: int,
    seen: align_fine.Windows,
    shared: align_fine.Common,
) -> tuple[float, bool, align_fine.Windows, align_fine.Common]:
    """The nearest whole frame, if the two cancel at least as well there; within _NEAR of it nearly as well
    (_AS_WELL), since copies of digital masters are whole frames apart."""
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
