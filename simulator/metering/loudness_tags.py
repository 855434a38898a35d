"""Loudness tags: the gains and peaks that a file states.

Two schemes. ReplayGain 2.0: a gain in dB re −18 LUFS, a linear peak with full scale at 1 (sample or true peak
is left open). R128 in Opus: a whole number of 1/256 dB (Q7.8) re −23 LUFS, on top of the output gain in the
stream's header, which every decoder applies. Sources: ReplayGain 2.0 specification, "Metadata" (from memory);
IETF RFC 7845, 5.1 and 5.2.1 (the range and the form of the number secondary; that ReplayGain tags do not
belong in Opus from memory). An invalid tag is left out and reported.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from simulator.common.text import visible
from simulator.common.units import gain_to_db


class TagScheme(StrEnum):
    """The standard that a file's gains follow, as people call it."""

    REPLAYGAIN = "ReplayGain"
    R128 = "R128"


REFERENCE_LUFS = {TagScheme.REPLAYGAIN: -18.0, TagScheme.R128: -23.0}
Q78 = 256.0
LONGEST_Q78 = 6
LARGEST_GAIN_DB = 64.0
LARGEST_PEAK = 100.0
LONGEST_SHOWN = 20
"""Sane bounds of this project's own: beyond them a tag is a mistake."""
_GAIN = re.compile(r"\s*([+-]?\d{1,3}(?:\.\d{1,10})?)\s*(?:dB)?\s*", re.IGNORECASE | re.ASCII)
_PEAK = re.compile(r"\s*(\d{1,3}(?:\.\d{1,20})?)\s*", re.ASCII)
_Q78 = re.compile(r"[+-]?[0-9]+")
_NAMES = {
    TagScheme.REPLAYGAIN: ("replaygain_track_gain", "replaygain_album_gain"),
    TagScheme.R128: ("r128_track_gain", "r128_album_gain"),
}
_PEAKS = ("replaygain_track_peak", "replaygain_album_peak")


@dataclass(frozen=True, slots=True)
class LoudnessTags:
    """A file's gains in dB and peaks in dBFS (None without a valid tag), and the output gain of an Opus
    header in dB (None for other files). `faults` are sentences on invalid tags."""

    scheme: TagScheme
    track_gain_db: float | None = None
    album_gain_db: float | None = None
    track_peak_db: float | None = None
    album_peak_db: float | None = None
    header_gain_db: float | None = None
    faults: tuple[str, ...] = ()

    @property
    def reference_lufs(self) -> float:
        """The loudness that the gains aim at."""
        return REFERENCE_LUFS[self.scheme]

    @property
    def track_lufs(self) -> float | None:
        """The loudness implied by the track gain."""
        return None if self.track_gain_db is None else self.reference_lufs - self.track_gain_db

    @property
    def album_lufs(self) -> float | None:
        """The loudness implied by the album gain."""
        return None if self.album_gain_db is None else self.reference_lufs - self.album_gain_db


def loudness_tags(
    fields: Mapping[str, Sequence[str]], header_gain_q78: int | None = None
) -> LoudnessTags | None:
    """The loudness tags among a file's text fields (lower-case names, each with its values); None without
    any. `header_gain_q78` is the output gain of an Opus header, None for other files: in Opus the R128 gains
    count, elsewhere ReplayGain's."""
    opus = header_gain_q78 is not None
    scheme = TagScheme.R128 if opus else TagScheme.REPLAYGAIN
    faults: list[str] = []
    track, album = (_value(fields, name, _q78 if opus else _gain, faults) for name in _NAMES[scheme])
    track_peak, album_peak = (None if opus else _value(fields, name, _peak, faults) for name in _PEAKS)
    if opus and any(fields.get(name) for name in (*_NAMES[TagScheme.REPLAYGAIN], *_PEAKS)):
        faults.append("ReplayGain tags do not belong in an Opus file; players may apply them on top.")
    if (track, album, track_peak, album_peak) == (None,) * 4 and not faults and not header_gain_q78:
        return None
    header = None if header_gain_q78 is None else header_gain_q78 / Q78
    return LoudnessTags(scheme, track, album, track_peak, album_peak, header, tuple(faults))


def _value(
    fields: Mapping[str, Sequence[str]],
    name: str,
    read: Callable[[str], float | None],
    faults: list[str],
) -> float | None:
    """A tag's value; None without the tag, and where it is invalid, which is a fault."""
    values = fields.get(name, ())
    if not values:
        return None
    value = read(values[0])
    if value is None:
        faults.append(f"{name.upper()} “{visible(values[0])[:LONGEST_SHOWN]}” is not a valid value.")
    if len(values) > 1:
        faults.append(f"{name.upper()} appears {len(values)} times, with different values.")
    return value


def _gain(text: str) -> float | None:
    form = _GAIN.fullmatch(text)
    value = None if form is None else float(form[1])
    return value if value is not None and abs(value) <= LARGEST_GAIN_DB else None


def _peak(text: str) -> float | None:
    """In dB; 0 is digital silence, which has no level."""
    form = _PEAK.fullmatch(text)
    value = None if form is None else float(form[1])
    return gain_to_db(value) if value is not None and value <= LARGEST_PEAK else None


def _q78(text: str) -> float | None:
    if len(text) > LONGEST_Q78 or not _Q78.fullmatch(text):
        return None
    value = int(text)
    return value / Q78 if -(2**15) <= value < 2**15 else None
