"""Two versions of one song side by side, as delivered and as a player plays them: figures and passages.

`loud` and `open` are the two in the order in which they were named; a *gap* is loud minus open. Contrast is
loudest minus quietest passage. Punch: PLR (true peak minus integrated loudness) with the true peak held at 0
dBTP as delivered, since overs are no punch; and the median peak to short-term loudness (AES e-Brief 373).
Unused headroom = 0 dBTP minus true peak. None where there is nothing to measure.

Passages are 3 s windows (EBU Tech 3341 short-term loudness), chosen once, on the open version, among those
that both versions have, and read at the same moments in the other. Where the versions have no common moments
(not the same performance, or more than one possible place), each is read at its own passages, and `shared` is
False. Times are in seconds of each version; energies are those of 100 ms steps. A window between two steps is
interpolated from the windows before and after it (as if the energy were even within a step).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.audibility.audibility import Audibility
from simulator.common.units import energy_to_lufs, lufs_to_energy
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.metering import dynamics, gating
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile


@dataclass(frozen=True, slots=True)
class Figures:
    """One version, as delivered or as played. `own_*` are its own passages, wherever they are. `over_count`
    counts inter-sample overs of 0 dBTP: as delivered before, as played after the gain."""

    gain_db: float
    integrated_lufs: float | None
    loudest_passage_lufs: float | None
    quietest_passage_lufs: float | None
    contrast_lu: float | None
    own_loudest_passage_lufs: float | None
    own_quietest_passage_lufs: float | None
    true_peak_dbtp: float | None
    unused_headroom_db: float | None
    peak_to_loudness_db: float | None
    punch_db: float | None
    median_peak_to_short_term_db: float | None
    over_count: int
    share_at_ceiling: float


@dataclass(frozen=True, slots=True)
class Gap:
    """Loud minus open. `most` and `least` are over all 3 s windows at common moments, None without any."""

    integrated_lu: float | None
    loudest_passage_lu: float | None
    quietest_passage_lu: float | None
    contrast_lu: float | None
    unused_headroom_db: float | None
    peak_to_loudness_db: float | None
    punch_db: float | None
    median_peak_to_short_term_db: float | None
    share_at_ceiling: float
    most: Extreme | None
    least: Extreme | None


@dataclass(frozen=True, slots=True)
class Side:
    """Both versions in one state."""

    loud: Figures
    open: Figures
    gap: Gap


@dataclass(frozen=True, slots=True)
class Heard:
    """One version on one player: as delivered, the prediction, and its inter-sample overs as played
    (`Prediction.played` counts overs only where its audio was measured)."""

    delivered: Measurement
    prediction: Prediction
    played_over_count: int


@dataclass(frozen=True, slots=True)
class Played:
    """Both versions through one player."""

    profile: Profile
    loud: Heard
    open: Heard
    side: Side


@dataclass(frozen=True, slots=True)
class Comparison:
    """The whole comparison. `difference` is None where the two are not the same performance, align in more
    than one way, or match in less than nine tenths of their common part without a map of the edits;
    `alignment.reason` then says why."""

    alignment: Alignment
    difference: Difference | None
    passages: Passages
    delivered: Side
    played: tuple[Played, ...]
    audibility: Audibility | None = None
    """None where `difference` is."""


def compare(
    loud: Measurement,
    open_: Measurement,
    players: list[tuple[Profile, Heard, Heard]],
    alignment: Alignment,
    difference: Difference | None,
    audibility: Audibility | None = None,
) -> Comparison:
    """Two versions as delivered, and the (profile, loud, open) of each player."""
    sure = alignment if alignment.fits else None
    passages = choose(loud.series.energy, open_.series.energy, sure)
    windows = (passages.loudest, passages.quietest)
    loud_starts, open_starts = [one.loud_s for one in windows], [one.open_s for one in windows]

    def side(a: Measurement, b: Measurement, gains_db: tuple[float, float], overs: tuple[int, int]) -> Side:
        first = _figures(a, gains_db[0], overs[0], loud_starts)
        second = _figures(b, gains_db[1], overs[1], open_starts)
        most = least = None
        if sure is not None and passages.shared:
            most, least = extremes(a.series.energy, b.series.energy, open_.series.energy, sure)
        return Side(first, second, _gap(first, second, most, least))

    played = []
    for profile, a, b in players:
        gains_db = a.prediction.decision.gain_db, b.prediction.decision.gain_db
        overs = a.played_over_count, b.played_over_count
        heard = side(a.prediction.played, b.prediction.played, gains_db, overs)
        played.append(Played(profile, a, b, heard))
    return Comparison(
        alignment=alignment,
        difference=difference if alignment.fits else None,
        passages=passages,
        delivered=side(loud, open_, (0.0, 0.0), (loud.over_count, open_.over_count)),
        played=tuple(played),
        audibility=audibility if alignment.fits else None,
    )


def punch_db(measurement: Measurement, gain_db: float = 0.0) -> float | None:
    """Peak to loudness without overs as delivered: peaks count up to 0 dBTP, or, after a player's gain, up to
    where 0 dBTP is then."""
    if measurement.true_peak_dbtp is None or measurement.integrated_lufs is None:
        return None
    return min(measurement.true_peak_dbtp, gain_db) - measurement.integrated_lufs


def _figures(measurement: Measurement, gain_db: float, overs: int, starts_s: list[float | None]) -> Figures:
    """`starts_s`: of the loudest and the quietest passage."""
    loudest, quietest = (passage_lufs(measurement.series.energy, start_s) for start_s in starts_s)
    return Figures(
        gain_db=gain_db,
        integrated_lufs=measurement.integrated_lufs,
        loudest_passage_lufs=loudest,
        quietest_passage_lufs=quietest,
        contrast_lu=_minus(loudest, quietest),
        own_loudest_passage_lufs=measurement.max_short_term_lufs,
        own_quietest_passage_lufs=measurement.quietest_passage_lufs,
        true_peak_dbtp=measurement.true_peak_dbtp,
        unused_headroom_db=_minus(0.0, measurement.true_peak_dbtp),
        peak_to_loudness_db=measurement.peak_to_loudness_db,
        punch_db=punch_db(measurement, gain_db),
        median_peak_to_short_term_db=measurement.median_peak_to_short_term_db,
        over_count=overs,
        share_at_ceiling=measurement.share_at_ceiling,
    )


def _gap(loud: Figures, open_: Figures, most: Extreme | None, least: Extreme | None) -> Gap:
    return Gap(
        integrated_lu=_minus(loud.integrated_lufs, open_.integrated_lufs),
        loudest_passage_lu=_minus(loud.loudest_passage_lufs, open_.loudest_passage_lufs),
        quietest_passage_lu=_minus(loud.quietest_passage_lufs, open_.quietest_passage_lufs),
        contrast_lu=_minus(loud.contrast_lu, open_.contrast_lu),
        unused_headroom_db=_minus(loud.unused_headroom_db, open_.unused_headroom_db),
        peak_to_loudness_db=_minus(loud.peak_to_loudness_db, open_.peak_to_loudness_db),
        punch_db=_minus(loud.punch_db, open_.punch_db),
        median_peak_to_short_term_db=_minus(
            loud.median_peak_to_short_term_db, open_.median_peak_to_short_term_db
        ),
        share_at_ceiling=loud.share_at_ceiling - open_.share_at_ceiling,
        most=most,
        least=least,
    )


def _minus(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a - b


SECONDS = 3.0
STEPS_PER_SECOND = 10
Energy = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Window:
    """Start of a 3 s passage in each version; None where a version has none."""

    loud_s: float | None
    open_s: float | None


@dataclass(frozen=True, slots=True)
class Passages:
    """The loudest and the quietest passage. `shared`: the same moments in both, chosen on the open
    version."""

    shared: bool
    loudest: Window
    quietest: Window


@dataclass(frozen=True, slots=True)
class Extreme:
    """The greatest or least difference of two versions in any 3 s window, and its start in the open
    version."""

    difference_lu: float
    open_s: float


def choose(loud: Energy, open_: Energy, alignment: Alignment | None) -> Passages:
    """The passages of two versions as delivered, from their energies (steps,). `alignment` is None where they
    have no common moments."""
    held = [] if alignment is None else _common_steps(loud, open_, alignment)
    if alignment is None or not held:

        def start(number: int | None) -> float | None:
            return None if number is None else number / STEPS_PER_SECOND

        return Passages(
            False,
            Window(start(dynamics.loud_window(loud)), start(dynamics.loud_window(open_))),
            Window(start(dynamics.quiet_window(loud)), start(dynamics.quiet_window(open_))),
        )
    windows = np.concatenate([gating.short_term_energies(open_[first:end]) for first, end in held])
    numbers = _window_numbers(held)

    def window(index: int | None) -> Window:
        if index is None:
            return Window(None, None)
        start_s = float(numbers[index]) / STEPS_PER_SECOND
        return Window(alignment.second_time_s(start_s), start_s)

    return Passages(True, window(dynamics.loudest_of(windows)), window(dynamics.quietest_of(windows)))


def passage_lufs(energy: Energy, start_s: float | None) -> float | None:
    """Loudness of the 3 s from `start_s` on; None for silence, outside the series, or without a start."""
    if start_s is None:
        return None
    windows = gating.short_term_energies(energy)
    step = start_s * STEPS_PER_SECOND
    if not windows.shape[0] or not -1e-6 <= step <= windows.shape[0] - 1 + 1e-6:
        return None
    return energy_to_lufs(float(_between(windows, np.array([step]))[0]))


NEAR_SILENCE_LUFS = -60.0
"""A 3 s window below this is left out of the extremes (the project's own choice)."""


def extremes(
    loud: Energy, open_: Energy, chosen_on: Energy, alignment: Alignment
) -> tuple[Extreme, Extreme] | tuple[None, None]:
    """The greatest and the least lead of the loud version (negative: quieter), over the common 3 s windows
    that are not nearly silent in `chosen_on`, the open version as delivered: a quiet intro counts, the end of
    a fade does not. None without any."""
    held = [(first, min(end, chosen_on.shape[0])) for first, end in _common_steps(loud, open_, alignment)]
    held = [steps for steps in held if steps[1] - steps[0] >= gating.STEPS_SHORT_TERM]
    if not held:
        return None, None
    gate, windows = (
        np.concatenate([gating.short_term_energies(energy[first:end]) for first, end in held])
        for energy in (chosen_on, open_)
    )
    numbers = _window_numbers(held)
    loud_steps = np.concatenate([_loud_steps(alignment, _window_numbers([steps])) for steps in held])
    other = _between(gating.short_term_energies(loud), loud_steps)
    usable = (
        (gate >= lufs_to_energy(NEAR_SILENCE_LUFS))
        & (windows > lufs_to_energy(-200.0))
        & (other > lufs_to_energy(-200.0))
    )
    if not usable.any():
        return None, None
    numbers = numbers[usable]
    difference = 10.0 * np.log10(other[usable] / windows[usable])
    most, least = int(np.argmax(difference)), int(np.argmin(difference))
    return (
        Extreme(float(difference[most]), float(numbers[most]) / STEPS_PER_SECOND),
        Extreme(float(difference[least]), float(numbers[least]) / STEPS_PER_SECOND),
    )


def _between(windows: Energy, starts: Energy) -> Energy:
    """Energies of windows that start at `starts`, in steps, kept inside the series."""
    at = np.clip(starts, 0.0, windows.shape[0] - 1.0)
    below = np.floor(at + 1e-9).astype(np.int64)
    share = np.maximum(at - below, 0.0)
    above = np.minimum(below + 1, windows.shape[0] - 1)
    return np.asarray((1.0 - share) * windows[below] + share * windows[above])


def _window_numbers(held: list[tuple[int, int]]) -> Energy:
    """The steps at which the 3 s windows of these stretches start."""
    last = gating.STEPS_SHORT_TERM - 1
    return np.concatenate([np.arange(first, end - last, dtype=np.float64) for first, end in held])


def _loud_steps(alignment: Alignment, numbers: Energy) -> Energy:
    """Steps of the open version within one stretch as steps of the loud one."""
    start, end = (alignment.second_time_s(float(n) / STEPS_PER_SECOND) for n in (numbers[0], numbers[-1]))
    assert start is not None
    assert end is not None  # there are common steps
    slope = (end - start) * STEPS_PER_SECOND / (numbers[-1] - numbers[0]) if numbers.shape[0] > 1 else 1.0
    return np.asarray(start * STEPS_PER_SECOND + (numbers - numbers[0]) * slope)


def _common_steps(loud: Energy, open_: Energy, alignment: Alignment) -> list[tuple[int, int]]:
    """First step, and the step after the last, of the stretches of the open version that both have complete:
    one, or one for each piece of an edited version. Without stretches shorter than 3 s."""
    common = alignment.common_s()
    spans = [(piece.first_start_s, piece.first_end_s) for piece in alignment.pieces]
    if not spans and common is not None:
        spans = [common]
    stretches = []
    for start_s, end_s in spans:
        first = int(np.ceil(start_s * STEPS_PER_SECOND - 1e-6))
        end = min(int(np.floor(end_s * STEPS_PER_SECOND + 1e-6)), open_.shape[0])
        last = alignment.second_time_s(end / STEPS_PER_SECOND)
        if last is not None and last * STEPS_PER_SECOND > loud.shape[0] + 1e-6:
            end -= int(np.ceil(last * STEPS_PER_SECOND - loud.shape[0] - 1e-6))
        if end - first >= gating.STEPS_SHORT_TERM:
            stretches.append((first, end))
    return stretches
