"""Reader of the loudness tags in a file: Vorbis comments, ID3v2, MP4 atoms and the Opus header.

The text fields come from a library; the output gain in the header of an Opus stream is read here. Tags are
not part of a file's content (a file that is tagged again measures the same), so they are read each time.
Source of the header: IETF RFC 7845, 5.1 (its first packet is alone on the first page: RFC 3533, from memory).
"""

from __future__ import annotations

import logging
import struct

from simulator.metering.loudness_tags import LoudnessTags, loudness_tags

_PAGE = struct.Struct("<4sBB8sIIIB")
_HEAD = struct.Struct("<8sBBHIh")
LOG = logging.getLogger("fairhearing")


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
