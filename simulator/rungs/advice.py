"""What a ladder decides: which rung suffices for which destination, what each choice gains and costs.

A destination is a player (or a place that does not normalise) with a weight. On a player that normalises the
lowest rung within WITHIN_LU of the best one suffices, or a higher one that plain gain reaches as well. Where
nothing is normalised louder is louder, and how far to go is taste: the rung nearest to PLAIN_LUFS stands for
such places (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from simulator.common.text import counted
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile
from simulator.rungs.rung import (
    NORMALISING_LUFS,
    PLAIN_LUFS,
    WITHIN_LU,
    Decoded,
    Rung,
    lowest_of_the_best,
)

DEFAULT_DESTINATIONS = ("minus14-headroom", "minus14-limited", "untouched")
LOWEST_LUFS, HIGHEST_LUFS = -18.0, -7.0
DENSE_PLR_DB, DENSE_PSR_DB = 10.0, 9.0
FREE_DB = 0.1
"""A rung that is limited by less costs nothing."""
AT_PEAK_SHARE = 0.0005
"""Marks of a mix that was limited before (common practice, no source): both ratios under these together, any
clipped run, or this share of the samples within 0.1 dB of the peak."""


class Weight(StrEnum):
    """How much a destination counts."""

    MUST = "must"
    SHOULD = "should"
    NICE = "nice"


@dataclass(frozen=True, slots=True)
class Destination:
    """Where the master goes: a player, how much it counts, and what the engineer calls it."""

    profile: Profile
    weight: Weight = Weight.SHOULD
    label: str = ""

    @property
    def name(self) -> str:
        return self.label or self.profile.id

    @property
    def normalises(self) -> bool:
        return self.profile.target_lufs is not None


@dataclass(frozen=True, slots=True)
class Suffices:
    """The rung at `place` suffices on `destinations`: above it they gain at most `gain_lu`, and their loudest
    passage falls by up to `passage_lu` (0 where it does not fall)."""

    place: int
    destinations: tuple[Destination, ...]
    gain_lu: float
    passage_lu: float


@dataclass(frozen=True, slots=True)
class Advice:
    """What follows from the rungs. `suffices` goes by rung, the lowest first; `one` is the rung that suffices
    on all players that normalise and count (None without such players), `plain` the rung for places that do
    not (None without such places, or where it is no louder)."""

    suffices: tuple[Suffices, ...]
    one: int | None
    plain: int | None
    plain_destinations: tuple[Destination, ...]


def default_levels(mix: Measurement, ceiling_dbtp: float) -> tuple[float, ...]:
    """Rungs around the mix: what plain gain reaches under the ceiling (between −18 and −16 LUFS), then up to
    −7 LUFS, with −14 and −9 among them."""
    lufs, peak = mix.integrated_lufs, mix.true_peak_dbtp
    plain = -16.0 if lufs is None or peak is None else math.floor(lufs + ceiling_dbtp - peak)
    lowest = min(max(plain, LOWEST_LUFS), -16.0)
    return (lowest, NORMALISING_LUFS, -11.5, PLAIN_LUFS, HIGHEST_LUFS)


def limited_before(mix: Measurement) -> str:
    """By what figures the mix looks limited or clipped already; empty where it does not."""
    plr, psr = mix.peak_to_loudness_db, mix.median_peak_to_short_term_db
    signs = []
    if plr is not None and psr is not None and plr < DENSE_PLR_DB and psr < DENSE_PSR_DB:
        signs.append(f"PLR {plr:.1f} dB, median PSR {psr:.1f} dB")
    if mix.clipped_run_count:
        signs.append(counted(mix.clipped_run_count, "clipped run"))
    if mix.share_at_ceiling >= AT_PEAK_SHARE:
        signs.append(f"{100.0 * mix.share_at_ceiling:.1f} % of samples at the peak")
    return ", ".join(signs)


def lowest_ceiling(rung: Rung, destinations: Sequence[Destination]) -> Decoded | None:
    """The codec there that needs the lowest ceiling; of two that need the same, the one whose decode peaks
    higher. None without a codec."""
    found = [
        rung.decoded[destination.profile.id]
        for destination in destinations
        if destination.profile.id in rung.decoded
    ]
    return min(
        found, key=lambda one: (one.holds, one.ceiling_dbtp, -(one.true_peak_dbtp or 0.0)), default=None
    )


def losses_lu(rungs: Sequence[Rung], destination: Destination) -> list[float | None]:
    """For each rung by how much it plays quieter there than the loudest one; None without a level."""
    levels = [rung.played[destination.profile.id].played.integrated_lufs for rung in rungs]
    best = max((level for level in levels if level is not None), default=None)
    return [None if level is None or best is None else best - level for level in levels]


def enough(rungs: Sequence[Rung], profile: Profile) -> int | None:
    """The place of the rung that suffices there: the lowest within WITHIN_LU of the best, or the highest
    above it that plain gain reaches as well, since that costs nothing. None where nothing is normalised."""
    place = lowest_of_the_best(rungs, profile)
    if place is None:
        return None
    levels = [rung.played[profile.id].played.integrated_lufs or 0.0 for rung in rungs]
    while (
        place + 1 < len(rungs)
        and rungs[place + 1].action.max_reduction_db < FREE_DB
        and levels[place + 1] >= max(levels) - WITHIN_LU
    ):
        place += 1
    return place


def advise(rungs: Sequence[Rung], destinations: Sequence[Destination]) -> Advice:
    """By rule from the figures as played."""
    by_place: dict[int, list[Destination]] = {}
    for destination in destinations:
        place = enough(rungs, destination.profile)
        if place is not None:
            by_place.setdefault(place, []).append(destination)
    suffices = tuple(
        Suffices(
            place,
            tuple(those),
            max((losses_lu(rungs, one)[place] or 0.0 for one in those), default=0.0),
            max((_passage_falls_lu(rungs, one, place) for one in those), default=0.0),
        )
        for place, those in sorted(by_place.items())
    )
    counting = [
        suffice.place
        for suffice in suffices
        if any(d.weight is not Weight.NICE for d in suffice.destinations)
    ]
    places = counting or [suffice.place for suffice in suffices]
    one_place = max(places, default=None)
    plain_destinations = tuple(destination for destination in destinations if not destination.normalises)
    plain = _plain(rungs, -1 if one_place is None else one_place) if plain_destinations else None
    return Advice(suffices, one_place, plain, plain_destinations)


def _passage_falls_lu(rungs: Sequence[Rung], destination: Destination, place: int) -> float:
    """By how much the loudest passage falls above that rung, at the rung where it falls most."""
    loudest = [rung.played[destination.profile.id].played.max_short_term_lufs for rung in rungs]
    here = loudest[place]
    return max([0.0, *(here - one for one in loudest[place + 1 :] if one is not None and here is not None)])


def _plain(rungs: Sequence[Rung], above: int) -> int | None:
    """The rung for places that do not normalise: nearest to PLAIN_LUFS, among those above the other one."""
    levels = [rung.measurement.integrated_lufs for rung in rungs]
    base = levels[above] if above >= 0 else None
    louder = [
        (abs(level - PLAIN_LUFS), place)
        for place, level in enumerate(levels)
        if place > above and level is not None and (base is None or level > base + WITHIN_LU)
    ]
    return min(louder)[1] if louder else None
