"""Every figure of a Measurement, once: its name, its unit, how it is written, and where it is shown.

The screens, the page's tables, JSON, CSV and the session file are made from FIGURES. People read them in the
order of the table; JSON and CSV go by `column`, which scripts rely on. To add a figure: the meter computes
it, the Measurement has an attribute for it, an entry here shows it, the handbook explains it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Literal

from simulator.common.text import NONE, level, share
from simulator.common.units import format_time

if TYPE_CHECKING:
    from simulator.metering.measurement import Measurement

Form = Literal["level", "count", "share", "time", "list"]
"""level: with its decimals; count: a whole number; share: in percent; time: as m:ss.s; list: one value a
channel, each with its decimals."""


class View(StrEnum):
    """Where a figure is shown under its own name, besides JSON and CSV, which hold every figure."""

    MEASURE = "the table of `measure`"
    RECORD = "the session file"
    STEP = "the steps of a delivery, in JSON"


@dataclass(frozen=True, slots=True)
class Column:
    """A figure's column in the catalogue of many files: heading, width, and the heading spelt out."""

    heading: str
    width: int
    said: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. `key` is its name in JSON and CSV, `attribute` the Measurement's where that differs;
    `column` is its column in CSV and never changes: a new figure takes the next. `label` and `unit` are for
    people; `beside` is its name where two versions are side by side, `page` its name and unit on the page.
    `nothing` says what None means, `source` the standard or definition that the figure follows."""

    key: str
    column: int
    label: str
    unit: str
    source: str
    nothing: str = "never"
    form: Form = "level"
    decimals: int = 1
    attribute: str = ""
    views: frozenset[View] = frozenset()
    beside: str = ""
    page: tuple[str, str] | None = None
    catalogue: Column | None = None

    @property
    def name(self) -> str:
        """Its attribute in the Measurement."""
        return self.attribute or self.key

    def value(self, measurement: Measurement) -> Any:
        """Unrounded, as JSON holds it."""
        value = getattr(measurement, self.name)
        return list(value) if isinstance(value, tuple) else value

    def text(self, measurement: Measurement) -> str:
        """As people read it, without its unit."""
        return self.written(self.value(measurement))

    def written(self, value: Any) -> str:
        """A value of this figure as people read it; a dash for None."""
        if value is None:
            return NONE
        if self.form == "count":
            return str(value)
        if self.form == "share":
            return share(value)
        if self.form == "time":
            return format_time(value)
        if self.form == "list":
            return " ".join(level(one, self.decimals) for one in value)
        return level(value, self.decimals)


_UNGATED = "silence, less than 400 ms, or nothing above the gate of −70 LUFS"
_WINDOWS = "silence, less than 3 s, or no 3 s above the gates"
_SILENCE = "digital silence"
_BS1770 = "ITU-R BS.1770-5"
_TECH3341 = "EBU Tech 3341"
_TECH3342 = "EBU Tech 3342"
_PSR = "AES e-Brief 373"
_OWN = "the project's own definition"
_FORMAT = "the file"
_ALL = frozenset({View.MEASURE, View.RECORD, View.STEP})
_KEPT = frozenset({View.MEASURE, View.RECORD})
_SHOWN = frozenset({View.MEASURE})

FIGURES: tuple[Figure, ...] = (
    Figure(
        "integrated_lufs", 5, "Integrated loudness", "LUFS", _BS1770, _UNGATED,
        views=_ALL, beside="Integrated loudness",
        page=("integrated", "LUFS"), catalogue=Column("LUFS", 7, "integrated loudness"),
    ),
    Figure(
        "max_short_term_lufs", 8, "Loudest 3 s", "LUFS", _TECH3341, "silence, or less than 3 s",
        views=_KEPT, beside="Loudest 3 s",
        page=("loudest 3 s", "LUFS"), catalogue=Column("loudest", 9, "the loudest 3 seconds, LUFS"),
    ),
    Figure(
        "quietest_passage_lufs", 9, "Quietest 3 s", "LUFS", _TECH3342, _WINDOWS,
        views=_KEPT, beside="Quietest 3 s", page=("quietest 3 s", "LUFS"),
    ),
    Figure(
        "contrast_lu", 10, "Loud–quiet span", "LU", _OWN, _WINDOWS,
        views=_SHOWN, beside="Loud–quiet span",
    ),
    Figure(
        "loudness_range_lu", 6, "Loudness range (LRA)", "LU", _TECH3342, _WINDOWS,
        views=_KEPT, page=("LRA", "LU"), catalogue=Column("LRA", 6, "loudness range, LU"),
    ),
    Figure("max_momentary_lufs", 7, "Maximum momentary (0.4 s)", "LUFS", _TECH3341, _UNGATED, views=_KEPT),
    Figure(
        "true_peak_dbtp", 12, "True peak", "dBTP", _BS1770, _SILENCE,
        views=_ALL, beside="True peak",
        page=("true peak", "dBTP"), catalogue=Column("dBTP", 7, "true peak"),
    ),
    Figure("true_peak_at_s", 13, "Time of the true peak", "s", _BS1770, _SILENCE, form="time"),
    Figure("sample_peak_dbfs", 11, "Sample peak", "dBFS", _BS1770, _SILENCE, views=_ALL),
    Figure(
        "peak_to_loudness_db", 14, "PLR (true peak − integrated)", "dB", _PSR,
        "true peak or loudness is None", views=_KEPT, beside="PLR (true peak − integrated)",
        page=("PLR", "dB"), catalogue=Column("PLR", 7, "true peak − integrated, dB"),
    ),
    Figure("min_peak_to_short_term_db", 15, "PSR (lowest)", "dB", _PSR, _WINDOWS),
    Figure(
        "median_peak_to_short_term_db", 16, "PSR (median)", "dB", _PSR, _WINDOWS,
        views=_KEPT, beside="PSR (median)", page=("PSR (median)", "dB"),
    ),
    Figure("crest_factor_db", 17, "Crest factor", "dB", "sample peak over RMS", _SILENCE, views=_SHOWN),
    Figure(
        "inter_sample_overs", 19, "Inter-sample overs", "", _OWN,
        form="count", attribute="over_count", views=_ALL, beside="Inter-sample overs",
        page=("inter-sample overs", "count"), catalogue=Column("overs", 7, "inter-sample overs"),
    ),
    Figure(
        "clipped_runs", 20, "Clipped runs", "", _OWN, form="count", attribute="clipped_run_count",
        views=_KEPT, catalogue=Column("clips", 7, "clipped runs"),
    ),
    Figure(
        "share_at_ceiling", 18, "Samples within 0.1 dB of peak", "", _OWN, form="share",
        views=_SHOWN, beside="Samples within 0.1 dB of peak", page=("within 0.1 dB of peak", "of samples"),
    ),
    Figure(
        "correlation", 22, "L/R correlation", "", "Pearson's, of the first two channels",
        "mono, or one of them silent", decimals=2, views=_SHOWN,
    ),
    Figure("dc_offset", 21, "DC offset", "of full scale", "mean of the samples", form="list", decimals=6),
    Figure("duration_s", 4, "Length", "s", _FORMAT, form="time", catalogue=Column("length", 9)),
    Figure(
        "sample_rate", 1, "Sample rate", "Hz", _FORMAT, form="count",
        views=frozenset({View.RECORD, View.STEP}),
    ),
    Figure("channels", 2, "Channels", "", _FORMAT, form="count", views=frozenset({View.RECORD})),
    Figure("frames", 3, "Length", "frames", _FORMAT, form="count", views=frozenset({View.RECORD})),
)  # fmt: skip


def figure(key: str) -> Figure:
    """The figure of that key. Raises KeyError."""
    for one in FIGURES:
        if one.key == key:
            return one
    raise KeyError(key)


def columns(view: View | None = None) -> list[Figure]:
    """The figures of a view (None: all) in the order of the columns."""
    return sorted((one for one in FIGURES if view is None or view in one.views), key=lambda one: one.column)


def rows(view: View) -> list[Figure]:
    """The figures of a view in the order for people."""
    return [one for one in FIGURES if view in one.views]


def on_page() -> list[tuple[Figure, tuple[str, str]]]:
    """The figures of the page's table, with their names and units there."""
    return [(one, one.page) for one in FIGURES if one.page is not None]


def in_catalogue() -> list[tuple[Figure, Column]]:
    """The figures of the catalogue of many files, with their columns."""
    return [(one, one.catalogue) for one in FIGURES if one.catalogue is not None]
