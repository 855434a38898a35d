"""Ladder in tables of at most 80 columns and sentences made by rule.

Every sentence is made from the figures beside it; none says which rung is good. Conventions: a rung is called
by its wanted loudness; a change of more than WITHIN_LU as played is never called nothing.

JSON of `ladder`: one object; keys are only ever added.

Numbers are unrounded, what cannot be measured is null. The schema that holds this is
`tests/schemas/ladder.json`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from simulator.common.numbers import level, share, signed, true_minus
from simulator.ladder.rungs import (
    CEILINGS_DBTP,
    NORMALISING_LUFS,
    PLAIN_LUFS,
    WITHIN_LU,
    Ladder,
    Rung,
    enough_peak_to_loudness_db,
    gained,
    lowest_of_the_best,
    player_peak_to_loudness_db,
)
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile
from simulator.text.tables import grid

SCHEMA = 1


def ladder_object(found: Ladder, beside: Ladder | None, profiles: Sequence[Profile]) -> dict[str, Any]:
    """The ladder; `beside` is that of sample-peak limiting where both were asked for."""
    made: dict[str, Any] = {
        "schema": SCHEMA,
        "mix": found.mix,
        "ceiling_dbtp": found.ceiling_dbtp,
        "detect": found.detect,
        "style": found.style,
        "rungs": _rungs(found.rungs, profiles),
        "profiles": {one.id: _profile(found.rungs, one) for one in profiles},
    }
    if beside is not None:
        made["sample_rungs"] = _rungs(beside.rungs, profiles)
    return made


def _profile(rungs: Sequence[Rung], profile: Profile) -> dict[str, Any]:
    place = lowest_of_the_best(rungs, profile)
    return {
        "lowest_of_the_best_wanted_lufs": None if place is None else rungs[place].wanted_lufs,
        "nothing_more_from_peak_to_loudness_db": enough_peak_to_loudness_db(profile),
    }


def _rungs(rungs: Sequence[Rung], profiles: Sequence[Profile]) -> list[dict[str, Any]]:
    changes = {profile.id: gained(rungs, profile.id) for profile in profiles}
    objects = []
    for place, rung in enumerate(rungs):
        measured, action = rung.measurement, rung.action
        played = {}
        for name, prediction in rung.played.items():
            played[name] = {
                "gain_db": prediction.decision.gain_db,
                "integrated_lufs": prediction.played.integrated_lufs,
                "max_short_term_lufs": prediction.played.max_short_term_lufs,
                "true_peak_dbtp": prediction.played.true_peak_dbtp,
                "gained_integrated_lu": changes[name][place].integrated_lu,
                "gained_max_short_term_lu": changes[name][place].loudest_lu,
            }
        objects.append(
            {
                "path": rung.path,
                "wanted_lufs": rung.wanted_lufs,
                "integrated_lufs": measured.integrated_lufs,
                "reached": rung.reached,
                "why": rung.why or None,
                "drive_db": rung.drive_db,
                "output_gain_db": rung.output_gain_db,
                "passes": rung.passes,
                "mean_reduction_db": action.mean_reduction_db,
                "max_reduction_db": action.max_reduction_db,
                "share_over_1_db": action.share_over_1_db,
                "share_over_3_db": action.share_over_3_db,
                "peak_to_loudness_db": measured.peak_to_loudness_db,
                "median_peak_to_short_term_db": measured.median_peak_to_short_term_db,
                "contrast_lu": measured.contrast_lu,
                "true_peak_dbtp": measured.true_peak_dbtp,
                "residual_lu": rung.residual_lu,
                "played": played,
            }
        )
    return objects


if TYPE_CHECKING:
    from rich.table import Table

MARK = "◂"
LITTLE_DB = 0.5
"""A mean reduction below this is no heavy limiting."""
HOW = {
    ("true", "limit"): "true-peak limiting",
    ("sample", "limit"): "sample-peak limiting",
    ("true", "clip-limit"): "a soft clip, then true-peak limiting",
    ("sample", "clip-limit"): "a soft clip, then sample-peak limiting",
}
LEGEND = (
    "PLR: true peak to loudness. PSR: the median of peak to 3 s loudness. Residual: what differs from the "
    "mix once their levels are matched, in LU against the mix (–: nothing); it does not rank quality."
)
STAND_IN = "The limiter is a stand-in for yours: your own chain will do better or worse."
OUTPUT = (
    "A lower output ceiling is plain gain after the limiter: true peak and loudness fall by exactly that "
    "much, and where a player turns the track down, it turns it down by that much less: nothing is lost. A "
    "lower --ceiling is another act: it lowers the limiter's threshold, and all is worked out again."
)


def starting_points() -> str:
    """The common-practice marks, named as such."""
    high, low = CEILINGS_DBTP
    return (
        "Starting points by common practice, no standard: "
        f"about {level(NORMALISING_LUFS, 0)} LUFS for players that normalise, "
        f"about {level(PLAIN_LUFS, 0)} LUFS for places that do not, "
        f"ceilings from {level(high)} to {level(low, 0)} dB."
    )


def opening(ladder: Ladder, mix: Measurement) -> str:
    """What went in, and what was done to it."""
    how = HOW[(ladder.detect, ladder.style)]
    said = (
        f"The mix: {level(mix.integrated_lufs)} LUFS, true peak {level(mix.true_peak_dbtp)} dBTP. "
        f"Each rung: {how} at {level(ladder.ceiling_dbtp)} dBTP."
    )
    if ladder.detect == "sample":
        said += " The output is lowered after the limiter until the true peak meets that ceiling, too."
    if ladder.style == "clip-limit":
        said += " What the clip takes is not in the limiter's columns; it shows in the residual."
    return said


def action_table(rungs: Sequence[Rung]) -> Table:
    """What the limiter had to do."""
    lowered = any(rung.output_gain_db for rung in rungs)
    headings = ["wanted", "LUFS", "drive dB", "mean dB", "most dB", "over 1 dB", "over 3 dB"]
    table = grid(headings + ["lowered dB"] * lowered, [True] * (7 + lowered), "Taken by the limiter")
    for rung in rungs:
        done = rung.action
        cells = [
            _name(rung),
            level(rung.measurement.integrated_lufs),
            signed(rung.drive_db),
            level(done.mean_reduction_db),
            level(done.max_reduction_db),
            share(done.share_over_1_db),
            share(done.share_over_3_db),
        ]
        table.add_row(*cells, *([level(rung.output_gain_db)] if lowered else []))
    return table


def left_table(rungs: Sequence[Rung]) -> Table:
    """What is left of the mix."""
    headings = ["wanted", "PLR dB", "PSR dB", "contrast LU", "residual LU", "true peak dBTP"]
    table = grid(headings, [True] * 6, "Left of the mix")
    for rung in rungs:
        measured = rung.measurement
        table.add_row(
            _name(rung),
            level(measured.peak_to_loudness_db),
            level(measured.median_peak_to_short_term_db),
            level(measured.contrast_lu),
            level(rung.residual_lu),
            level(measured.true_peak_dbtp),
        )
    return table


def played_table(rungs: Sequence[Rung], profile: Profile) -> Table:
    """What a player plays, and what each rung gains against the lowest one."""
    headings = ["wanted", "player dB", "whole LUFS", "gained LU", "loudest 3 s LUFS", "gained LU", ""]
    table = grid(headings, [True] * 6 + [False])
    marked = lowest_of_the_best(rungs, profile)
    for place, (rung, change) in enumerate(zip(rungs, gained(rungs, profile.id), strict=True)):
        prediction = rung.played[profile.id]
        table.add_row(
            _name(rung),
            signed(prediction.decision.gain_db),
            level(prediction.played.integrated_lufs),
            signed(change.integrated_lu),
            level(prediction.played.max_short_term_lufs),
            signed(change.loudest_lu),
            MARK if place == marked else "",
        )
    return table


def beside_table(true: Sequence[Rung], sample: Sequence[Rung]) -> Table:
    """Both kinds of detection, rung by rung; both end at one true peak."""
    headings = ["wanted", "peaks", "LUFS", "drive dB", "mean dB", "most dB", "PSR dB", "resid. LU"]
    right = [True, False, *([True] * 7)]
    table = grid([*headings, "lowered dB"], right, "True-peak and sample-peak limiting side by side")
    for pair in zip(true, sample, strict=True):
        for kind, rung in zip(("true", "sample"), pair, strict=True):
            table.add_row(
                _name(rung) if kind == "true" else "",
                kind,
                level(rung.measurement.integrated_lufs),
                signed(rung.drive_db),
                level(rung.action.mean_reduction_db),
                level(rung.action.max_reduction_db),
                level(rung.measurement.median_peak_to_short_term_db),
                level(rung.residual_lu),
                level(rung.output_gain_db),
            )
    return table


def beside_sentences(true: Sequence[Rung], sample: Sequence[Rung]) -> list[str]:
    """What each kind of detection costs, where both reached the loudness."""
    pairs = [(one, other) for one, other in zip(true, sample, strict=True) if one.reached and other.reached]
    said = []
    if pairs and all(not other.output_gain_db for _, other in pairs):
        said.append("No rung rises over the ceiling between its samples, so the two cost the same.")
    elif pairs:
        one, other = max(pairs, key=lambda pair: -pair[1].output_gain_db)
        said.append(
            "Sample-peak limiting lets the wave rise over the ceiling between the samples, so its output is "
            f"lowered: by up to {level(-other.output_gain_db)} dB, at {_name(other)} LUFS. To be as loud "
            f"there it takes {signed(other.drive_db)} dB of drive against {signed(one.drive_db)} dB, and its "
            f"residual is {level(other.residual_lu)} LU against {level(one.residual_lu)} LU."
        )
    said += [f"{_name(one)} LUFS with sample peaks: {_missed(one)}" for one in sample if not one.reached]
    return said


def unreached(rungs: Sequence[Rung], style: str) -> list[str]:
    """What was reached where the wanted loudness was not, and what goes further."""
    missed = [one for one in rungs if not one.reached]
    said = [f"{_name(one)} LUFS was not reached: {_missed(one)}" for one in missed]
    if any(one.action.mean_reduction_db < LITTLE_DB for one in missed):
        said.append("The limiter hardly acts there: the mix itself is quiet. Raise it first.")
    elif missed and style == "limit":
        said.append("With a soft clip before the limiter (--style clip-limit) more is reached, at its price.")
    return said


def played_sentences(rungs: Sequence[Rung], profile: Profile) -> list[str]:
    """What the table of one player means."""
    if profile.target_lufs is None:
        levels = [rung.measurement.integrated_lufs for rung in rungs]
        rising = [b is not None and a is not None and b > a + WITHIN_LU for a, b in pairwise(levels)]
        if all(rising):
            return ["Nothing is turned down here: every rung is louder, and the choice is what it may cost."]
        first = rising.index(False)
        return [
            f"Nothing is turned down here: louder is louder, and the choice is what it may cost. From "
            f"{_name(rungs[first])} LUFS on the next rung is no more than {WITHIN_LU:g} LU louder."
        ]
    said = []
    marked = lowest_of_the_best(rungs, profile)
    if marked is None:
        return ["Nothing here is loud enough to be measured."]
    if marked < len(rungs) - 1:
        said.append(
            f"{MARK} {_name(rungs[marked])} LUFS is the lowest rung within {WITHIN_LU:g} LU of the best as "
            f"played: above it the whole track gains at most {WITHIN_LU:g} LU. "
            f"{_passage(rungs, profile, marked)}"
        )
    elif len(rungs) > 1:
        said.append(f"{MARK} The highest rung is more than {WITHIN_LU:g} LU louder here than any other.")
    enough = enough_peak_to_loudness_db(profile)
    if enough is not None:
        said.append(_closed_form(rungs, profile, enough))
    return said


def _closed_form(rungs: Sequence[Rung], profile: Profile, enough_db: float) -> str:
    """Where a player that leaves headroom stops raising, beside what the rungs hold."""
    assert profile.target_lufs is not None
    kind = "" if profile.ceiling.counts == "true" else " (of sample peaks)"
    said = (
        f"This player leaves headroom: nothing more is gained once PLR{kind} ≤ ceiling − target = "
        f"{level(profile.ceiling.level_db)} − ({level(profile.target_lufs)}) = {level(enough_db)} dB"
    )
    ratios = [player_peak_to_loudness_db(profile, rung.measurement) for rung in rungs]
    first = next((place for place, one in enumerate(ratios) if one is not None and one <= enough_db), None)
    if first is None:
        return f"{said}; no rung is that dense."
    return f"{said}; the first such rung is {_name(rungs[first])} LUFS, at {level(ratios[first])} dB."


def _passage(rungs: Sequence[Rung], profile: Profile, marked: int) -> str:
    """What happens to the loudest passage above the marked rung."""
    changes = [one.loudest_lu for one in gained(rungs, profile.id)]
    base = changes[marked]
    above = [one - base for one in changes[marked + 1 :] if one is not None and base is not None]
    if not above:
        return ""
    most = max(above, key=abs)
    if abs(most) <= WITHIN_LU:
        return f"Its loudest passage changes by at most {WITHIN_LU:g} LU."
    return f"Its loudest passage changes by up to {signed(most)} LU."


def _missed(rung: Rung) -> str:
    return f"{rung.why}. It stands at {level(rung.measurement.integrated_lufs)} LUFS."


def _name(rung: Rung) -> str:
    """The wanted loudness as it was asked for."""
    return true_minus(f"{rung.wanted_lufs:g}")
