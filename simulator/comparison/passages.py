"""Moments at which two versions are compared, and how loud each is there.

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

from simulator.common.units import energy_to_lufs, lufs_to_energy
from simulator.comparison.alignment import Alignment
from simulator.metering import dynamics, gating

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
