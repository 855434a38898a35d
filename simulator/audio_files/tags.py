"""Reader of the loudness tags in a file: Vorbis comments, ID3v2, MP4 atoms and the Opus header.

The text fields come from a library; the output gain in the header of an Opus stream is read here. Tags are
not part of a file's content (a file that is tagged again measures the same), so they are read each time.
Source of the header: IETF RFC 7845, 5.1 (its first packet is alone on the first page: RFC 3533, from memory).
"""

from __future__ import annotations

import logging
import re
import struct
from collections.abc import Callable, Mapping, Sequence

from simulator.common.text import visible
from simulator.common.units import gain_to_db
from simulator.metering.loudness_tags import LoudnessTags, TagScheme

_PAGE = struct.Struct("<4sBB8sIIIB")
_HEAD = struct.Struct("<8sBBHIh")
LOG = logging.getLogger("fairhearing")
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


def read_tags(path: str) -> LoudnessTags | None:
    """The loudness tags of a file; None where it has none, or they cannot be read."""
    from tinytag import TinyTag, TinyTagException

    try:
        header_gain = _opus_header_gain(path)
        fields = TinyTag.get(path, duration=False).other
    except (OSError, TinyTagException) as problem:
        LOG.info("%s: no tags read: %s", path, problem)
        return None
    return loudness_tags(dict(fields), header_gain)


def _opus_header_gain(path: str) -> int | None:
    """The output gain in 1/256 dB; None for what is no Opus file. Raises OSError."""
    with open(path, "rb") as file:
        page = file.read(_PAGE.size)
        if len(page) < _PAGE.size or not page.startswith(b"OggS"):
            return None
        head = file.read(page[-1] + _HEAD.size)[page[-1] :]
    if len(head) < _HEAD.size or not head.startswith(b"OpusHead"):
        return None
    gain: int = _HEAD.unpack(head)[5]
    return gain


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
