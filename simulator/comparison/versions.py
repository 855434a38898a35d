"""Figures of two versions of one song side by side, as delivered and as a player plays them.

Conventions: `loud` and `open` are the two in the order in which they were named; a *gap* is loud minus open,
so positive where the loud version has more. Passages are those of comparison/passages. Contrast is loudest
minus quietest passage. Punch: PLR (true peak minus integrated loudness) with the true peak held at 0 dBTP as
delivered, since overs are no punch; and the median peak to short-term loudness (AES e-Brief 373). Unused
headroom = 0 dBTP minus true peak. None where there is nothing to measure.

Moments at which two versions are compared, and how loud each is there.

The loudest and the quietest passage are 3 s windows (EBU Tech 3341 short-term loudness) that are chosen once,
on the open version, among those that both versions hold, and read at the same moments in the other. Where
the versions have no common moments (not the same performance, or more than one possible place), each is read
at its own passages, and `shared` says so.
Conventions: times in seconds, each in its own version's time; energies are those of 100 ms steps. A window
that begins between two steps is read from the windows before and after it, by the share of each (as if the
energy were even within a step).
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
    """One version, as delivered or as played. `own_*` are its own passages, wherever they lie. `over_count`
    counts the moments above 0 dBTP between the samples: as delivered before, as played after the gain."""

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
    """Loud minus open. `most` and `least`: over all 3 s windows at common moments, None without those."""

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
    """What goes in for one version and one player: as delivered, what the player makes of it, and how often
    that rises over full scale (`Prediction.played` counts overs only where its audio was measured)."""

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
    """Everything that the two say. `difference` is None where the two are not the same performance, lie
    against each other in more than one way, or fit in less than nine tenths of their common part without a
    map of the edits; `alignment.reason` then says why."""

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
    if not passages.shared:
        sure = None

    def side(a: tuple[Measurement, Figures], b: tuple[Measurement, Figures]) -> Side:
        found = None
        if sure is not None:
            found = extremes(a[0].series.energy, b[0].series.energy, open_.series.energy, sure)
        return Side(a[1], b[1], _gap(a[1], b[1], found))

    def delivered(measurement: Measurement, place: str) -> tuple[Measurement, Figures]:
        return measurement, _figures(measurement, 0.0, measurement.over_count, passages, place)

    def played(version: Heard, place: str) -> tuple[Measurement, Figures]:
        found = version.prediction.played
        gain_db, overs = version.prediction.decision.gain_db, version.played_over_count
        return found, _figures(found, gain_db, overs, passages, place)

    return Comparison(
        alignment=alignment,
        difference=difference if alignment.fits else None,
        passages=passages,
        delivered=side(delivered(loud, "loud"), delivered(open_, "open")),
        played=tuple(
            Played(profile, a, b, side(played(a, "loud"), played(b, "open"))) for profile, a, b in players
        ),
        audibility=audibility if alignment.fits else None,
    )


def punch_db(measurement: Measurement) -> float | None:
    """Peak to loudness with the true peak held at 0 dBTP."""
    if measurement.true_peak_dbtp is None or measurement.integrated_lufs is None:
        return None
    return min(measurement.true_peak_dbtp, 0.0) - measurement.integrated_lufs


def played_punch_db(measurement: Measurement, gain_db: float) -> float | None:
    """Punch of what is played after a gain of the player: what stood over full scale as delivered is no
    punch, also where the player has turned it down; so peaks count up to where 0 dBTP as delivered would
    stand."""
    if measurement.true_peak_dbtp is None or measurement.integrated_lufs is None:
        return None
    return min(measurement.true_peak_dbtp, gain_db) - measurement.integrated_lufs


def _figures(measurement: Measurement, gain_db: float, overs: int, passages: Passages, place: str) -> Figures:
    at = (passages.loudest, passages.quietest)
    starts = [window.loud_s if place == "loud" else window.open_s for window in at]
    loudest, quietest = (passage_lufs(measurement.series.energy, start) for start in starts)
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
        punch_db=played_punch_db(measurement, gain_db),
        median_peak_to_short_term_db=measurement.median_peak_to_short_term_db,
        over_count=overs,
        share_at_ceiling=measurement.share_at_ceiling,
    )


def _gap(loud: Figures, open_: Figures, found: tuple[Extreme, Extreme] | None) -> Gap:
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
        most=None if found is None else found[0],
        least=None if found is None else found[1],
    )


def _minus(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a - b


SECONDS = 3.0
STEPS_PER_SECOND = 10
Energy = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Window:
    """Where a passage of 3 s begins in either version; None where that version has none."""

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
    """The greatest difference of two versions in any 3 s window, and where it begins in the open version."""

    difference_lu: float
    open_s: float


def choose(loud: Energy, open_: Energy, alignment: Alignment | None) -> Passages:
    """The passages of two versions as delivered, by their energies (steps,). `alignment` is None where they
    have no common moments."""
    held = [] if alignment is None else _common_steps(loud, open_, alignment)
    if alignment is None or not held:
        return Passages(
            False,
            Window(_start(dynamics.loud_window(loud)), _start(dynamics.loud_window(open_))),
            Window(_start(dynamics.quiet_window(loud)), _start(dynamics.quiet_window(open_))),
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
    """Loudness of the 3 s from `start_s` on; None for silence, outside of the series, or without a start."""
    if start_s is None:
        return None
    windows = gating.short_term_energies(energy)
    place = start_s * STEPS_PER_SECOND
    if not windows.shape[0] or not -1e-6 <= place <= windows.shape[0] - 1 + 1e-6:
        return None
    return energy_to_lufs(float(_between(windows, np.array([place]))[0]))


NEAR_SILENCE_LUFS = -60.0
"""A 3 s window below this is left out of the extremes (the project's own choice)."""


def extremes(
    loud: Energy, open_: Energy, chosen_on: Energy, alignment: Alignment
) -> tuple[Extreme, Extreme] | None:
    """Where the loud version is louder by most, and where by least (negative: quieter), over the common 3 s
    windows that are not near-silent in `chosen_on`, the open version as delivered: a quiet beginning counts,
    the end of a fade does not. None without any."""
    held = [(first, min(end, chosen_on.shape[0])) for first, end in _common_steps(loud, open_, alignment)]
    held = [steps for steps in held if steps[1] - steps[0] >= gating.STEPS_SHORT_TERM]
    if not held:
        return None
    gate, windows = (
        np.concatenate([gating.short_term_energies(energy[first:end]) for first, end in held])
        for energy in (chosen_on, open_)
    )
    numbers = _window_numbers(held)
    places = np.concatenate([_places(alignment, _window_numbers([steps])) for steps in held])
    other = _between(gating.short_term_energies(loud), places)
    usable = (
        (gate >= lufs_to_energy(NEAR_SILENCE_LUFS))
        & (windows > lufs_to_energy(-200.0))
        & (other > lufs_to_energy(-200.0))
    )
    if not usable.any():
        return None
    numbers = numbers[usable]
    difference = 10.0 * np.log10(other[usable] / windows[usable])
    most, least = int(np.argmax(difference)), int(np.argmin(difference))
    return (
        Extreme(float(difference[most]), float(numbers[most]) / STEPS_PER_SECOND),
        Extreme(float(difference[least]), float(numbers[least]) / STEPS_PER_SECOND),
    )


def _start(number: int | None) -> float | None:
    return None if number is None else number / STEPS_PER_SECOND


def _between(windows: Energy, places: Energy) -> Energy:
    """Energies of windows that begin at `places`, in steps; held inside the series."""
    at = np.clip(places, 0.0, windows.shape[0] - 1.0)
    below = np.floor(at + 1e-9).astype(np.int64)
    share = np.maximum(at - below, 0.0)
    above = np.minimum(below + 1, windows.shape[0] - 1)
    mixed: Energy = (1.0 - share) * windows[below] + share * windows[above]
    return mixed


def _window_numbers(held: list[tuple[int, int]]) -> Energy:
    """The steps at which the 3 s windows of these stretches begin."""
    last = gating.STEPS_SHORT_TERM - 1
    return np.concatenate([np.arange(first, end - last, dtype=np.float64) for first, end in held])


def _places(alignment: Alignment, numbers: Energy) -> Energy:
    """Where steps of the open version within one stretch lie in the loud one, in its steps."""
    start, end = (alignment.second_time_s(float(n) / STEPS_PER_SECOND) for n in (numbers[0], numbers[-1]))
    assert start is not None
    assert end is not None  # there are common steps
    slope = (end - start) * STEPS_PER_SECOND / (numbers[-1] - numbers[0]) if numbers.shape[0] > 1 else 1.0
    placed: Energy = start * STEPS_PER_SECOND + (numbers - numbers[0]) * slope
    return placed


def _common_steps(loud: Energy, open_: Energy, alignment: Alignment) -> list[tuple[int, int]]:
    """First step and the step after the last, of the open version, of what both versions hold whole: one
    stretch, or one for each piece of an edited version. Without those that make no 3 s window."""
    common = alignment.common_s()
    spans = [(piece.first_start_s, piece.first_end_s) for piece in alignment.pieces]
    if not spans:
        spans = [] if common is None else [common]
    found = []
    for span in spans:
        first = int(np.ceil(span[0] * STEPS_PER_SECOND - 1e-6))
        end = min(int(np.floor(span[1] * STEPS_PER_SECOND + 1e-6)), open_.shape[0])
        last = alignment.second_time_s(end / STEPS_PER_SECOND)
        if last is not None and last * STEPS_PER_SECOND > loud.shape[0] + 1e-6:
            end -= int(np.ceil(last * STEPS_PER_SECOND - loud.shape[0] - 1e-6))
        if end - first >= gating.STEPS_SHORT_TERM:
            found.append((first, end))
    return found
