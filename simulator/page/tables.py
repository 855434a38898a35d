"""Tables of the page: every track measured, and what each player does to each."""

from __future__ import annotations

from typing import Any

from simulator.common.report_numbers import level, share, signed
from simulator.page.profile import number_rows
from simulator.page.values import PageContent, PageTrack
from simulator.page.words import move_words
from simulator.text.findings_peaks import NOTE, peak_cells, peak_columns

MEASURED = (
    ("integrated", "LUFS"),
    ("loudest 3 s", "LUFS"),
    ("quietest 3 s", "LUFS"),
    ("range", "LU"),
    ("true peak", "dBTP"),
    ("PLR", "dB"),
    ("median PSR", "dB"),
    ("overs", "count"),
    ("at its ceiling", "of samples"),
)


def does_row(one: PageTrack) -> dict[str, Any]:
    found = one.predictions[0]
    return {
        "number": one.number,
        "title": one.track.title,
        "artist": one.track.artist,
        "role": one.track.role,
        "move": move_words(found) if found is not None else _not_played(one),
        "reason": found.decision.reason if found is not None else one.problem,
    }


def _not_played(one: PageTrack) -> str:
    return f"could not be {'read' if one.delivered is None else 'played'}"


def player_table(content: PageContent, place: int) -> dict[str, Any]:
    profile, rows = content.profiles[place], []
    for one in content.tracks:
        found = one.predictions[place]
        values = ["–"] * 5
        if found is not None:
            values = [
                signed(found.decision.gain_db),
                level(found.played.integrated_lufs),
                level(found.played.max_short_term_lufs),
                level(found.played.true_peak_dbtp),
                level(found.limiter.max_reduction_db),
            ]
        rows.append({"number": one.number, "title": one.track.title, "cells": values})
    return {
        "title": profile.title,
        "sentence": profile.sentence,
        "peaks": _peaks(content, place),
        "rows": rows,
        "numbers": number_rows(profile),
    }


def _peaks(content: PageContent, place: int) -> dict[str, Any] | None:
    """True peak and overs of the master, after each step of the delivery, and as played; None where the
    master itself is what the player gets."""
    found = [one.predictions[place] for one in content.tracks]
    columns = peak_columns(found)
    if not columns:
        return None
    rows = [
        {"number": one.number, "title": one.track.title, "cells": peak_cells(columns, one.delivered, each)}
        for one, each in zip(content.tracks, found, strict=True)
        if each is not None and one.delivered is not None
    ]
    return {"columns": ["master", *columns, "as played"], "rows": rows, "note": NOTE}


def measured_row(one: PageTrack) -> dict[str, Any]:
    found, values = one.delivered, ["–"] * len(MEASURED)
    if found is not None:
        values = [
            level(found.integrated_lufs),
            level(found.max_short_term_lufs),
            level(found.quietest_passage_lufs),
            level(found.loudness_range_lu),
            level(found.true_peak_dbtp),
            level(found.peak_to_loudness_db),
            level(found.median_peak_to_short_term_db),
            str(found.over_count),
            share(found.share_at_ceiling),
        ]
    return {"number": one.number, "title": one.track.title, "cells": values}
