"""JSON of measure, predict, check and compare; its schemas are in `simulator/schemas/`.

Keys are only ever added, numbers are unrounded, None becomes null.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from simulator.comparison.versions import SECONDS, Comparison, Figures, Played, Side, Window
from simulator.delivery.album import AlbumLevel
from simulator.metering import figures
from simulator.metering.figures import View
from simulator.metering.loudness_tags import LoudnessTags
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Track
from simulator.text.audibility import audibility_object
from simulator.text.comparison.delivered import Names, Said

SCHEMA = 1
TAG_KEYS = ("track_gain_db", "album_gain_db", "track_peak_db", "album_peak_db", "header_gain_db")


def measurement_object(
    path: str, measurement: Measurement, tags: LoudnessTags | None, album: AlbumLevel | None = None
) -> dict[str, Any]:
    """One file of `measure --json`; `tags` are its loudness tags, `album` the album that it belongs to."""
    return {
        "schema": SCHEMA,
        "path": path,
        **{one.key: one.value(measurement) for one in figures.columns()},
        "warnings": [{"code": note.code, "text": note.text} for note in measurement.warnings],
        "tag_scheme": None if tags is None else tags.scheme.value,
        **{f"tag_{key}": None if tags is None else getattr(tags, key) for key in TAG_KEYS},
        **({} if album is None else {"album": album.name, "album_programme_lufs": album.programme_lufs}),
    }


def error_object(path: str, error: str) -> dict[str, Any]:
    """A file that could not be read."""
    return {"schema": SCHEMA, "path": path, "error": error}


def prediction_object(track: Track, prediction: Prediction | None, error: str) -> dict[str, Any]:
    """One track of `predict --json`."""
    if prediction is None:
        return {"path": track.path, "error": error}
    decision, played = prediction.decision, prediction.played
    return {
        "path": track.path,
        "title": track.title,
        "wanted_gain_db": decision.wanted_gain_db,
        "gain_db": decision.gain_db,
        "limited_by": decision.limited_by,
        "reason": decision.reason,
        "gain_from": decision.gain_from,
        "target_shortfall_lu": prediction.target_shortfall_lu,
        "played_integrated_lufs": played.integrated_lufs,
        "played_max_short_term_lufs": played.max_short_term_lufs,
        "played_quietest_passage_lufs": played.quietest_passage_lufs,
        "played_true_peak_dbtp": played.true_peak_dbtp,
        "unused_headroom_db": prediction.unused_headroom_db,
        "limiter_max_reduction_db": prediction.limiter.max_reduction_db,
        "limiter_mean_reduction_db": prediction.limiter.mean_reduction_db,
        "limiter_share_over_1_db": prediction.limiter.share_over_1_db,
        "delivery_steps": _steps(prediction),
        "played_inter_sample_overs": prediction.played.over_count if prediction.steps else None,
    }


def _steps(prediction: Prediction) -> list[dict[str, Any]]:
    """The steps for JSON, in order."""
    return [
        {
            "step": name,
            **{one.key: one.value(after) for one in figures.columns(View.STEP)},
        }
        for name, after in prediction.steps
    ]


def comparison_object(
    comparison: Comparison,
    tracks: tuple[Track, Track],
    names: Names,
    answer: Sequence[Said],
    overall: Sequence[Said],
    by_player: Sequence[Sequence[Said]],
) -> dict[str, Any]:
    """`tracks` are loud and open; `answer`, `overall` and `by_player` the sentences, each with its rule."""
    loud, open_ = tracks
    return {
        "schema": SCHEMA,
        "answer": _sentences(answer),
        "loud": {"path": loud.path, "title": loud.title, "name": names.loud},
        "open": {"path": open_.path, "title": open_.title, "name": names.open},
        "alignment": comparison.alignment.as_json(),
        "difference": None if comparison.difference is None else comparison.difference.as_json(),
        "audibility": None if comparison.audibility is None else audibility_object(comparison.audibility),
        "passages": {
            "seconds": SECONDS,
            "shared": comparison.passages.shared,
            "chosen_on": "open" if comparison.passages.shared else "each",
            "loudest": _window(comparison.passages.loudest),
            "quietest": _window(comparison.passages.quietest),
        },
        "delivered": _side(comparison.delivered),
        "played": [_played(played, said) for played, said in zip(comparison.played, by_player, strict=True)],
        "sentences": _sentences(overall),
    }


def version_object(
    track: Track, name: str, delivered: Figures, played: Sequence[tuple[str, Figures]]
) -> dict[str, Any]:
    """One of all versions in the order of the command: its figures as delivered, and on each player (by
    id)."""
    return {
        "path": track.path,
        "title": track.title,
        "name": name,
        "delivered": asdict(delivered),
        "played": [{"profile": profile, **asdict(figures)} for profile, figures in played],
    }


def _played(played: Played, said: Sequence[Said]) -> dict[str, Any]:
    profile = played.profile
    decisions = {"loud": played.loud.prediction.decision, "open": played.open.prediction.decision}
    return {
        "profile": profile.id,
        "title": profile.title,
        "target_lufs": profile.target_lufs,
        "uncertainty_db": profile.uncertainty_db,
        "limited_by": {place: decision.limited_by for place, decision in decisions.items()},
        "reason": {place: decision.reason for place, decision in decisions.items()},
        "target_shortfall_lu": {
            "loud": played.loud.prediction.target_shortfall_lu,
            "open": played.open.prediction.target_shortfall_lu,
        },
        "limiter": {
            "loud": asdict(played.loud.prediction.limiter),
            "open": asdict(played.open.prediction.limiter),
        },
        **_side(played.side),
        "sentences": _sentences(said),
    }


def _side(side: Side) -> dict[str, Any]:
    return {"loud": asdict(side.loud), "open": asdict(side.open), "loud_minus_open": asdict(side.gap)}


def _window(window: Window) -> dict[str, float | None]:
    return {"loud_start_s": window.loud_s, "open_start_s": window.open_s}


def _sentences(said: Sequence[Said]) -> list[dict[str, Any]]:
    return [asdict(sentence) for sentence in said]
