"""At which moments are two versions compared, and how loud is each there?

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

from simulator.compare.alignment import Alignment
from simulator.measure import dynamics, gating
from simulator.units import energy_to_lufs, lufs_to_energy

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
    steps = None if alignment is None else _common_steps(loud, open_, alignment)
    if alignment is None or steps is None:
        return Passages(
            False,
            Window(_start(dynamics.loud_window(loud)), _start(dynamics.loud_window(open_))),
            Window(_start(dynamics.quiet_window(loud)), _start(dynamics.quiet_window(open_))),
        )
    first, end = steps
    part = open_[first:end]

    def window(number: int | None) -> Window:
        if number is None:
            return Window(None, None)
        start_s = (first + number) / STEPS_PER_SECOND
        return Window(alignment.second_time_s(start_s), start_s)

    return Passages(True, window(dynamics.loud_window(part)), window(dynamics.quiet_window(part)))


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
    steps = _common_steps(loud, open_, alignment)
    if steps is None:
        return None
    first, end = steps[0], min(steps[1], chosen_on.shape[0])
    gate = gating.short_term_energies(chosen_on[first:end])
    windows = gating.short_term_energies(open_[first:end])
    numbers = np.arange(windows.shape[0], dtype=np.float64) + first
    origin, second = alignment.second_time_s(0.0), alignment.second_time_s(1.0)
    assert origin is not None
    assert second is not None  # there are common steps
    places = origin * STEPS_PER_SECOND + numbers * (second - origin)
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


def _common_steps(loud: Energy, open_: Energy, alignment: Alignment) -> tuple[int, int] | None:
    """First step and the step after the last, of the open version, that both versions hold whole; None where
    they make no 3 s window."""
    common = alignment.common_s()
    if common is None:
        return None
    first = int(np.ceil(common[0] * STEPS_PER_SECOND - 1e-6))
    end = min(int(np.floor(common[1] * STEPS_PER_SECOND + 1e-6)), open_.shape[0])
    last = alignment.second_time_s(end / STEPS_PER_SECOND)
    if last is not None and last * STEPS_PER_SECOND > loud.shape[0] + 1e-6:
        end -= int(np.ceil(last * STEPS_PER_SECOND - loud.shape[0] - 1e-6))
    return (first, end) if end - first >= gating.STEPS_SHORT_TERM else None
