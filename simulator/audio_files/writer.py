"""Writer of audio files, through libsndfile: whole or not at all, in one of three forms.

float32 keeps every sample; the 24-bit forms are rounded with dither and refuse what would clip.

Cue points in WAV and RF64 files are a `cue ` chunk, and a `LIST` chunk `adtl` with a `labl` for each.
Sources: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (1991), "Cue-Points
Chunk" and "Associated Data Chunk"; for the sizes in RF64, EBU Tech 3306. Labels are UTF-8, which that
document does not know (common practice, no source).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import SimulatorError
from simulator.dsp.conversion import Dither24
from simulator.storage.writing import refusal, whole_file, write_error

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


FORMS = {
    "float32": ("wav", "WAV", "FLOAT"),
    "wav24": ("wav", "WAV", "PCM_24"),
    "flac24": ("flac", "FLAC", "PCM_24"),
}
"""Extension, container and subtype of each form."""
BYTES = {"FLOAT": 4, "PCM_24": 3}
WAV_LIMIT = 4_294_000_000
Audio = NDArray[np.float32]


def write_audio(
    path: Path,
    blocks: Iterable[Audio],
    rate: int,
    channels: int,
    form: str,
    force: bool,
    dithered: bool,
    frames: int = 0,
    cues: Sequence[Cue] = (),
) -> None:
    """Writes a stream to one file, whole or not at all. `frames`, where known, is how long it will be:
    a WAV file of more than 4 GB becomes an RF64 one (EBU Tech 3306), which has the same extension. `cues` go
    into WAV files only."""
    import soundfile

    _, container, subtype = FORMS[form]
    if container == "WAV" and frames * channels * BYTES[subtype] > WAV_LIMIT:
        container = "RF64"
    written = 0
    to_integers = Dither24(rate, dithered=dithered)
    with whole_file(path, force) as passing:
        try:
            with soundfile.SoundFile(
                os.fsencode(passing) if os.name == "posix" else os.fspath(passing),
                "w",
                rate,
                channels,
                format=container,
                subtype=subtype,
            ) as file:
                for block in blocks:
                    file.write(block if form == "float32" else _named(path, to_integers, block))
                    written += block.shape[0]
                short = file.frames != written  # python -O drops the library's own check
            if short:
                raise write_error(path, refusal(passing, "only part could be written"))
            if cues:
                append_cues(passing, cues)
        except (soundfile.LibsndfileError, AssertionError) as problem:
            raise write_error(path, refusal(passing, str(problem))) from None


def _named(path: Path, to_integers: Dither24, block: Audio) -> NDArray[np.int32]:
    try:
        return to_integers.convert(block)
    except SimulatorError as problem:
        problem.message = f"{path}: {problem.message}"
        raise
