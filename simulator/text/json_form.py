"""Keys of the JSON answers, in one place; keys are only ever added.

Numbers are unrounded, what cannot be measured is null. The schemas that hold this are
`tests/schemas/*.json`.
"""

from __future__ import annotations

from typing import Any

from simulator.metering import figures
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Track
from simulator.text.findings_peaks import step_objects

SCHEMA = 1


def measurement_object(path: str, found: Measurement) -> dict[str, Any]:
    """One file of `measure --json`."""
    return {
        "schema": SCHEMA,
        "path": path,
        **{one.key: one.value(found) for one in figures.columns()},
        "warnings": [{"code": note.code, "text": note.text} for note in found.warnings],
    }


def error_object(path: str, error: str) -> dict[str, Any]:
    """A file that could not be read."""
    return {"schema": SCHEMA, "path": path, "error": error}


def prediction_object(track: Track, found: Prediction | None, error: str) -> dict[str, Any]:
    """One track of `predict --json`."""
    if found is None:
        return {"path": track.path, "error": error}
    decision, played = found.decision, found.played
    return {
        "path": track.path,
        "title": track.title,
        "wanted_gain_db": decision.wanted_gain_db,
        "gain_db": decision.gain_db,
        "limited_by": decision.limited_by,
        "reason": decision.reason,
        "target_shortfall_lu": found.target_shortfall_lu,
        "played_integrated_lufs": played.integrated_lufs,
        "played_max_short_term_lufs": played.max_short_term_lufs,
        "played_quietest_passage_lufs": played.quietest_passage_lufs,
        "played_true_peak_dbtp": played.true_peak_dbtp,
        "unused_headroom_db": found.unused_headroom_db,
        "limiter_max_reduction_db": found.limiter.max_reduction_db,
        "limiter_mean_reduction_db": found.limiter.mean_reduction_db,
        "limiter_share_over_1_db": found.limiter.share_over_1_db,
        "delivery_steps": step_objects(found),
        "played_inter_sample_overs": found.played.over_count if found.steps else None,
    }
