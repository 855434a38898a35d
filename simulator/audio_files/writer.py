"""Writer of audio files, through libsndfile: whole or not at all, in one of three forms.

float32 keeps every sample; the 24-bit forms are rounded with dither and refuse what would clip.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.cues import Cue, append_cues
from simulator.common.errors import SimulatorError
from simulator.dsp.conversion import Dither24
from simulator.storage.writing import refusal, whole_file, write_error

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
