"""Tables of a comparison: two versions as delivered, as played, and the split residual."""

from __future__ import annotations

from simulator.common.numbers import NONE, level, signed
from simulator.comparison.alignment import Alignment
from simulator.comparison.difference import Difference
from simulator.comparison.versions import Side
from simulator.metering import figures

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
    return [
        _line(side, "integrated_lufs"),
        _line(side, "max_short_term_lufs", "loudest_passage_lufs"),
        _line(side, "quietest_passage_lufs"),
        _line(side, "contrast_lu"),
        _line(side, "peak_to_loudness_db"),
        _own_line("  overs not counted", side.loud.punch_db, side.open.punch_db),
        _line(side, "median_peak_to_short_term_db"),
        _line(side, "true_peak_dbtp"),
        _own_line("Unused headroom", side.loud.unused_headroom_db, side.open.unused_headroom_db),
        _line(side, "inter_sample_overs"),
        _line(side, "share_at_ceiling"),
    ]


def residual_rows(found: Difference) -> list[tuple[str, str, str, str]]:
    """Band, residual, gain riding, waveform change: K-weighted power against the whole open version."""
    whole = ("whole", found.residual_lu, found.gain_riding_lu, found.waveform_change_lu)
    bands = [(one.band, one.residual_lu, one.gain_riding_lu, one.waveform_change_lu) for one in found.bands]
    return [
        (band, *(NONE if value is None else level(value) for value in values))  # type: ignore[misc]
        for band, *values in (whole, *bands)
    ]


def _line(side: Side, key: str, attribute: str = "") -> Row:
    """A figure of the two by its name, unit and decimals in the table of figures; `attribute` is its name in
    the comparison's own figures, where that is another one."""
    figure = figures.figure(key)
    a, b = (getattr(one, attribute or figure.name) for one in (side.loud, side.open))
    written = (figure.written(a), figure.written(b))
    if figure.form == "share":
        return figure.beside, "share", *written, ""
    gap = None if a is None or b is None else float(a - b)
    return figure.beside, figure.unit, *written, signed(gap, 0 if figure.form == "count" else figure.decimals)


def _own_line(what: str, a: float | None, b: float | None) -> Row:
    """What only the comparison knows, in dB."""
    return what, "dB", level(a), level(b), signed(None if a is None or b is None else a - b)


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
