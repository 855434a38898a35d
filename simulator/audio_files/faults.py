"""Faults of an audio file, found before and while it is decoded, each with its cure.

Headers are judged by what libsndfile says of them, and by its log where it mends them silently.
"""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

from simulator.audio_files.ends import is_chained
from simulator.common.channels import CHANNEL_NAMES
from simulator.common.errors import AudioError
from simulator.common.units import format_time

if TYPE_CHECKING:
    from simulator.audio_files.reader import AudioInfo

LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
_MOST_FRAMES = 2**53


def check_file(path: str) -> None:
    """Raises AudioError where there is no file that can be read."""
    try:
        if os.path.isdir(path):
            raise AudioError(f"{path}: this is a folder.", "Name a file, or a folder as a playlist.")
        if not os.path.isfile(path) and os.path.exists(path):
            raise AudioError(f"{path}: this is no ordinary file.", "Name an audio file.")
        if os.path.getsize(path) == 0:
            raise AudioError(f"{path}: the file is empty.", "Copy or export it again.")
        with open(path, "rb"):
            pass
    except FileNotFoundError:
        raise AudioError(
            f"{path}: there is no such file.", "Check the path, or the drive it is on."
        ) from None
    except PermissionError:
        raise AudioError(f"{path}: reading is not permitted.", "Change the file's permissions.") from None
    except (OSError, ValueError) as problem:
        raise AudioError(f"{path}: the file cannot be opened: {plain(problem)}.", "Check the path.") from None


def check_info(info: AudioInfo, log: str) -> None:
    """Raises AudioError for what its header says and no file of sound should. `log` is libsndfile's."""
    if info.channels not in CHANNEL_NAMES:
        raise AudioError(
            f"{info.path}: {info.channels} channels.",
            "Mono, stereo and layouts up to 5.1 can be measured; export one of these.",
        )
    if not LOWEST_RATE <= info.sample_rate <= HIGHEST_RATE:
        raise AudioError(
            f"{info.path}: a sample rate of {info.sample_rate} Hz.",
            f"Rates from {LOWEST_RATE} to {HIGHEST_RATE} Hz can be measured; convert the file.",
        )
    if info.frames == 0 and info.container != "MP3":
        raise AudioError(f"{info.path}: the file holds no samples.", "Export it again.")
    if info.frames > _MOST_FRAMES:
        if info.container == "OGG" and is_chained(info.path):
            raise chained(info.path)
        raise AudioError(
            f"{info.path}: the file does not say how long it is, as one that was written into a pipe.",
            "Export it again as a file, or convert it.",
        )
    # libsndfile mends the length of a cut PCM file silently, and says so only in its log
    found = re.search(r"^ *(?:data|SSND|riff|Riff size) : (\d+) \(should be (\d+)\)", log, re.MULTILINE)
    wide = info.container in ("RF64", "W64")
    # a size near the largest was written by a stream, which did not know it; the sizes of the wide forms
    # stand for the whole file, and writers differ by a header
    most, slack = (2**62, 256) if wide else (0x7FFF_0000, 0)
    if found and int(found[2]) + slack < int(found[1]) < most:
        frame_bytes = max(round(int(found[2]) / max(info.frames, 1)), 1)
        raise cut_short(info, info.frames, int(found[1]) // frame_bytes)


def cut_short(info: AudioInfo, frames: int, promised: int) -> AudioError:
    """The error of a file that has these frames of those that were promised."""
    there, whole = (format_time(count / info.sample_rate) for count in (frames, promised))
    of = f"{there} of {whole} are there" if promised > frames else f"after {there}, in mid-sound"
    return AudioError(
        f"{info.path}: the file ends too early: {of}.",
        "It was cut while it was copied or written; copy or export it again.",
    )


def chained(path: str) -> AudioError:
    """The error of an Ogg file that goes on with another stream."""
    return AudioError(
        f"{path}: several recordings stand one after the other in this file (a chained Ogg), and only the "
        "first would be read.",
        "Save each of them as a file of its own, or convert the whole.",
    )


def read_in_part(info: AudioInfo, frames: int, seconds: float) -> AudioError:
    """The error of an MP3 that goes on where its decoder stops."""
    there, whole = format_time(frames / info.sample_rate), format_time(seconds)
    return AudioError(
        f"{info.path}: only the first {there} of {whole} in this MP3 can be read: several recordings "
        "stand one after the other, or it does not say how long it is.",
        "Save each of them as a file of its own, or convert the whole to WAV or FLAC.",
    )


def plain(problem: Exception) -> str:
    """The library's words without its prefix, the path and the full stop."""
    text = str(getattr(problem, "error_string", "") or getattr(problem, "strerror", "") or problem)
    return text.removeprefix("Error : ").rstrip(". \n") or type(problem).__name__
