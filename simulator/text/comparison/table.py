"""Tables of a comparison: two versions as delivered, as played, and the split residual."""

from __future__ import annotations

from simulator.common.numbers import NONE, level, share, signed
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Figures, Side

NOTICEABLE_DB, NOTICEABLE_FRAMES = 0.5, 0.5
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


def tonal_text(found: Difference) -> str:
    """The third octaves in which the matched other version stands 0.5 dB and more above or below the open
    one, in a line of words; empty where the tonal balance does not differ."""
    if not found.tonal_balance_differs:
        return ""
    parts = [
        f"{one.centre_hz:g} Hz {signed(one.difference_db)}"
        for one in found.third_octaves
        if one.difference_db is not None and abs(one.difference_db) >= NOTICEABLE_DB
    ]
    if not parts:
        return "No third octave differs by half a dB or more."
    return f"The tonal balance, loud against open at matched level, in dB: {', '.join(parts)}."


def place_text(found: Alignment) -> str:
    """How the two lie over each other: offset, polarity, and the bands that come later or earlier."""
    if found.offset_s is None or not found.has_place:
        return ""
    off = signed(1000.0 * found.offset_s, 3)
    said = "They begin together" if off == "0.000" else f"The loud one lies {off} ms off"
    if found.polarity is not None and found.polarity < 0:
        said += ", with its polarity turned"
    late = [
        f"{one.band} {signed(one.delay_frames)} frames"
        for one in found.delay_by_band
        if one.delay_frames is not None and abs(one.delay_frames) > NOTICEABLE_FRAMES
    ]
    return f"{said}. Delay by band: {', '.join(late)}." if late else f"{said}."
