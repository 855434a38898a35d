"""Does a lossy file end as it should? Its decoder plays what is there, or the first part, and says nothing.

An MP3 that was encoded as a file tells in its first frame (the tag called Xing or Info) how many bytes it
has; an Ogg file consists of pages that tell their own length. Behind its end another stream may begin (a
chained file, as recorders of broadcasts write it). Sources: RFC 3533, 4 and 6 (Ogg); the tag has no standard:
common practice, no source.
"""

from __future__ import annotations

import os

_LARGEST_PAGE = 27 + 255 + 255 * 255
_FRAME_SLACK = 1500
"""Bytes of one MP3 frame, about: encoders differ in whether the tag's own frame counts."""


def is_cut(path: str, container: str) -> bool:
    """Does the file end before its own words say? False where it says nothing. Raises OSError."""
    if container == "OGG":
        return _last_page_is_cut(path)
    return container == "MP3" and _lacks_frames(path)


def is_chained(path: str) -> bool:
    """Does another stream begin in this Ogg file after the first has? Streams that lie side by side all begin
    before any of them goes on. Raises OSError."""
    begun = False
    with open(path, "rb") as file:
        while len(header := file.read(27)) == 27 and header[:4] == b"OggS":
            begins = bool(header[5] & 2)
            if begins and begun:
                return True
            begun = begun or not begins
            file.seek(sum(file.read(header[26])), os.SEEK_CUR)
    return False


def _last_page_is_cut(path: str) -> bool:
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        file.seek(max(size - 2 * _LARGEST_PAGE, 0))
        tail = file.read()
    place = tail.rfind(b"OggS")
    if place < 0:
        return False
    header = tail[place : place + 27]
    if len(header) < 27:
        return True
    if header[4] != 0 or header[5] > 7:  # four letters by chance within a packet
        return False
    lengths = tail[place + 27 : place + 27 + header[26]]
    return len(lengths) < header[26] or place + 27 + len(lengths) + sum(lengths) > len(tail)


def _lacks_frames(path: str) -> bool:
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        begin, head = 0, file.read(10)
        if head[:3] == b"ID3" and len(head) == 10:
            begin = 10 + sum(
                (byte & 0x7F) << shift for byte, shift in zip(head[6:], (21, 14, 7, 0), strict=True)
            )
        file.seek(begin)
        first = file.read(200)
    tag = next((place for name in (b"Xing", b"Info") if (place := first.find(name, 4)) > 0), 0)
    if not tag or first[:1] != b"\xff" or len(first) < tag + 16:
        return False
    flags, promised = (int.from_bytes(first[tag + at : tag + at + 4], "big") for at in (4, 12))
    return flags & 3 == 3 and begin + promised > size + _FRAME_SLACK
