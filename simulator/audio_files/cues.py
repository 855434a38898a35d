"""Cue points in WAV and RF64 files: a `cue ` chunk, and a `LIST` chunk `adtl` with a `labl` for each.

Sources: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991), "Cue-Points
Chunk" and "Associated Data Chunk"; for the sizes in RF64, EBU Tech 3306. Labels are UTF-8, which that
document does not know (common practice, no source).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from pathlib import Path

Cue = tuple[int, str]
"""Its frame, and its label."""


def append_cues(path: Path, cues: Sequence[Cue]) -> None:
    """Appends cue points, by frame, to a WAV or RF64 file that has none. Raises OSError."""
    with open(path, "r+b") as file:
        rf64 = file.read(4) == b"RF64"
        size = file.seek(0, os.SEEK_END)
        file.write(b"\0" * (size % 2))
        file.write(_chunks(sorted(cues)))
        whole = file.tell() - 8
        # RF64 keeps 0xFFFFFFFF here, and its size in the ds64 chunk, which comes first
        file.seek(20 if rf64 else 4)
        file.write(struct.pack("<Q" if rf64 else "<I", whole))


def _chunks(cues: Sequence[Cue]) -> bytes:
    """Both chunks, each of even length."""
    points, labels = b"", b"adtl"
    for number, (frame, label) in enumerate(cues, 1):
        # identity, place in the playing order, chunk, chunk start, block start, offset in frames
        points += struct.pack("<II4sIII", number, frame, b"data", 0, 0, frame)
        text = label.encode("utf-8", "backslashreplace") + b"\0"
        labels += _chunk(b"labl", struct.pack("<I", number) + text)
    return _chunk(b"cue ", struct.pack("<I", len(cues)) + points) + _chunk(b"LIST", labels)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
