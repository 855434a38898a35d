"""JSON of `ladder`: one object; keys are only ever added.

Numbers are unrounded, what cannot be measured is null. The schema that holds this is
`tests/schemas/ladder.json`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simulator.ladder.rungs import Ladder, Rung, enough_peak_to_loudness_db, gained, lowest_of_the_best
from simulator.normalizer.profile import Profile

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
