"""What stands in the tables of a comparison? Rows of text for two versions as delivered, as played, and for
the split residual."""

from __future__ import annotations

from simulator.compare.difference import Difference
from simulator.compare.loss import Figures, Side
from simulator.report.numbers import NONE, level, share, signed

Row = tuple[str, str, str, str, str]
"""What, unit, loud, open, loud minus open."""


def delivered_rows(side: Side) -> list[Row]:
    """As delivered: no gain acts."""
    return _rows(side)


def played_rows(side: Side) -> list[Row]:
    """As one player plays them."""
    gains = (side.loud.gain_db, side.open.gain_db)
    first = ("The player's gain", "dB", signed(gains[0]), signed(gains[1]), signed(gains[0] - gains[1]))
    return [first, *_rows(side)]


def _rows(side: Side) -> list[Row]:
    lines = [
        ("Integrated loudness", "LUFS", "integrated_lufs"),
        ("Loudest passage", "LUFS", "loudest_passage_lufs"),
        ("Quietest passage", "LUFS", "quietest_passage_lufs"),
        ("Contrast", "LU", "contrast_lu"),
        ("Punch (PLR)", "dB", "peak_to_loudness_db"),
        ("  overs not counted", "dB", "punch_db"),
        ("Punch (median PSR)", "dB", "median_peak_to_short_term_db"),
        ("True peak", "dBTP", "true_peak_dbtp"),
        ("Unused headroom", "dB", "unused_headroom_db"),
    ]
    rows = [_line(what, unit, getattr(side.loud, key), getattr(side.open, key)) for what, unit, key in lines]
    loud, open_ = side.loud, side.open
    return [
        *rows,
        ("Overs between samples", "events", *_counts(loud, open_)),
        ("At its ceiling", "share", share(loud.share_at_ceiling), share(open_.share_at_ceiling), ""),
    ]


def residual_rows(found: Difference) -> list[tuple[str, str, str, str]]:
    """Band, residual, gain riding, waveform change: K-weighted power against the whole open version."""
    whole = ("whole", found.residual_lu, found.gain_riding_lu, found.waveform_change_lu)
    bands = [(one.band, one.residual_lu, one.gain_riding_lu, one.waveform_change_lu) for one in found.bands]
    return [
        (band, *(NONE if value is None else level(value) for value in values))  # type: ignore[misc]
        for band, *values in (whole, *bands)
    ]


def _line(what: str, unit: str, a: float | None, b: float | None) -> Row:
    return what, unit, level(a), level(b), signed(None if a is None or b is None else a - b)


def _counts(loud: Figures, open_: Figures) -> tuple[str, str, str]:
    return str(loud.over_count), str(open_.over_count), signed(float(loud.over_count - open_.over_count), 0)
