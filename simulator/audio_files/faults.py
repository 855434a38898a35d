"""Faults of an audio file, found before and while it is decoded, each with its cure.

Headers are judged by what libsndfile reports, and by its log where it corrects them silently. Lossy files may
be cut short, or followed by another stream that no decoder would play: an MP3's first frame (the tag Xing or
Info; common practice, no source) tells its length in bytes, Ogg pages tell their own (RFC 3533, 4 and 6).
Other MP3s are followed frame by frame, since libsndfile stops at the first tag or an estimate (ISO/IEC
11172-3 and 13818-3, layer III; tables from memory).
"""

from __future__ import annotations

import mmap
import os
import re
from typing import TYPE_CHECKING

from simulator.common.channels import CHANNEL_NAMES
from simulator.common.errors import AudioError
from simulator.common.units import format_time

_LARGEST_PAGE = 27 + 255 + 255 * 255
_FRAME_SLACK = 1500
"""Bytes of one MP3 frame, about: encoders differ in whether the tag's own frame counts."""


def is_truncated(path: str, container: str) -> bool:
    """True for a file shorter than its own header states; False where it states nothing. Raises OSError."""
    if container == "OGG":
        return _last_page_is_cut(path)
    return container == "MP3" and _lacks_frames(path)


def is_chained(path: str) -> bool:
    """True for an Ogg file with another stream behind the first. Streams side by side all begin before any of
    them continues. Raises OSError."""
    begun = False
    with open(path, "rb") as file:
        while len(header := file.read(27)) == 27 and header[:4] == b"OggS":
            begins = bool(header[5] & 2)
            if begins and begun:
                return True
            begun = begun or not begins
            file.seek(sum(file.read(header[26])), os.SEEK_CUR)
    return False


_KBPS = {
    3: (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    2: (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}
"""Of layer III, for MPEG 1 and for 2 and 2.5."""
_RATES = (44_100, 48_000, 32_000)
MP3_SLACK_FRAMES = 6
"""Frames that decode to nothing: tag, delay and padding of the encoder, a decoder's first ones."""


def mp3_seconds(path: str) -> tuple[float, float]:
    """Seconds of all frames of layer III in this file together, and of one; 0.0 where there are none. A frame
    counts where another follows it, or the file's end. Raises OSError."""
    seconds, one = 0.0, 0.0
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        place, end, whole = 0, len(data), False
        while 0 <= place < end - 4:
            if data[place : place + 3] == b"ID3" and place + 10 <= end:
                place += _id3_bytes(data[place : place + 10])
                whole = False
                continue
            length, duration = _mp3_frame(data, place)
            following = place + length
            # what looks like a frame by chance is followed by none
            if length and (whole or following + 4 > end or _mp3_frame(data, following)[0]):
                seconds, one, whole = seconds + duration, duration, True
                place = following
            else:
                whole = False
                place = _next_sync(data, place + 1)
    return seconds, one


def _next_sync(data: mmap.mmap, place: int) -> int:
    """Where a frame or a tag may begin; -1 where nowhere."""
    found = [at for mark in (b"\xff", b"ID3") if (at := data.find(mark, place)) >= 0]
    return min(found, default=-1)


def _mp3_frame(data: mmap.mmap, place: int) -> tuple[int, float]:
    """Bytes and seconds of the frame that begins there; 0 where none does."""
    head = data[place : place + 4]
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE6 != 0xE2:  # sync and layer III
        return 0, 0.0
    version, kbps, rate = head[1] >> 3 & 3, head[2] >> 4, head[2] >> 2 & 3
    if version == 1 or not 1 <= kbps <= 14 or rate == 3:
        return 0, 0.0
    hertz = _RATES[rate] >> {3: 0, 2: 1, 0: 2}[version]
    samples = 1152 if version == 3 else 576
    bits = _KBPS[3 if version == 3 else 2][kbps - 1] * 1000
    return samples // 8 * bits // hertz + (head[2] >> 1 & 1), samples / hertz


def _id3_bytes(head: bytes) -> int:
    """The length of a tag with its header."""
    return 10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:], (21, 14, 7, 0), strict=True))


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
            begin = _id3_bytes(head)
        file.seek(begin)
        first = file.read(200)
    tag = next((place for name in (b"Xing", b"Info") if (place := first.find(name, 4)) > 0), 0)
    if not tag or first[:1] != b"\xff" or len(first) < tag + 16:
        return False
    flags, promised = (int.from_bytes(first[tag + at : tag + at + 4], "big") for at in (4, 12))
    return flags & 3 == 3 and begin + promised > size + _FRAME_SLACK


if TYPE_CHECKING:
    from simulator.audio_files.reader import AudioInfo

LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
_MOST_FRAMES = 2**53


def check_file(path: str) -> None:
    """Raises AudioError where there is no file that can be read."""
    try:
        if os.path.isdir(path):
            raise AudioError(f"{path}: this is a folder.", "Give a file, or a folder in place of a playlist.")
        if not os.path.isfile(path) and os.path.exists(path):
            raise AudioError(f"{path}: not a regular file.", "Give an audio file.")
        if os.path.getsize(path) == 0:
            raise AudioError(f"{path}: the file is empty.", "Copy or export it again.")
        with open(path, "rb"):
            pass
    except FileNotFoundError:
        raise AudioError(
            f"{path}: file not found.", "Check the path, or that the drive is connected."
        ) from None
    except PermissionError:
        raise AudioError(
            f"{path}: no permission to read the file.", "Change the file's permissions."
        ) from None
    except (OSError, ValueError) as problem:
        raise AudioError(f"{path}: cannot open the file: {plain(problem)}.", "Check the path.") from None


def check_info(info: AudioInfo, log: str) -> None:
    """Raises AudioError for what its header says and no file of sound should. `log` is libsndfile's."""
    if info.channels not in CHANNEL_NAMES:
        raise AudioError(
            f"{info.path}: {info.channels} channels are not supported.",
            "Supported: mono, stereo and layouts up to 5.1. Export one of these.",
        )
    if not LOWEST_RATE <= info.sample_rate <= HIGHEST_RATE:
        raise AudioError(
            f"{info.path}: a sample rate of {info.sample_rate} Hz is not supported.",
            f"Supported: {LOWEST_RATE} to {HIGHEST_RATE} Hz. Convert the file first.",
        )
    if info.frames == 0 and info.container != "MP3":
        raise AudioError(f"{info.path}: the file contains no audio.", "Export it again.")
    if info.frames > _MOST_FRAMES:
        if info.container == "OGG" and is_chained(info.path):
            raise chained(info.path)
        raise AudioError(
            f"{info.path}: the header does not state the length, as in a file written to a pipe.",
            "Export it again to a file, or convert it.",
        )
    # libsndfile mends the length of a cut PCM file silently, and says so only in its log
    found = re.search(r"^ *(?:data|SSND|riff|Riff size) : (\d+) \(should be (\d+)\)", log, re.MULTILINE)
    wide = info.container in ("RF64", "W64")
    # a size near the largest was written by a stream, which did not know it; the wide forms state the size
    # of the whole file, and writers differ by a header
    most, slack = (2**62, 256) if wide else (0x7FFF_0000, 0)
    if found and int(found[2]) + slack < int(found[1]) < most:
        frame_bytes = max(round(int(found[2]) / max(info.frames, 1)), 1)
        raise truncated(info, info.frames, int(found[1]) // frame_bytes)


def truncated(info: AudioInfo, frames: int, promised: int) -> AudioError:
    """The error of a file that has these frames of those that were promised."""
    there, whole = (format_time(count / info.sample_rate) for count in (frames, promised))
    of = f"{there} of {whole} present" if promised > frames else f"it stops at {there}, mid-audio"
    return AudioError(
        f"{info.path}: file is truncated: {of}.",
        "The copy or export was cut short; copy or export it again.",
    )


def chained(path: str) -> AudioError:
    """The error of an Ogg file that goes on with another stream."""
    return AudioError(
        f"{path}: this file contains several recordings in a row (a chained Ogg), and only the first "
        "would be read.",
        "Save each as a separate file, or convert the whole file.",
    )


def partly_read(info: AudioInfo, frames: int, seconds: float) -> AudioError:
    """The error of an MP3 that goes on where its decoder stops."""
    there, whole = format_time(frames / info.sample_rate), format_time(seconds)
    return AudioError(
        f"{info.path}: only the first {there} of {whole} in this MP3 can be read: it contains several "
        "recordings in a row, or does not state its length.",
        "Save each as a separate file, or convert the whole file to WAV or FLAC.",
    )


def plain(problem: Exception) -> str:
    """The library's words without its prefix, the path and the full stop."""
    text = str(getattr(problem, "error_string", "") or getattr(problem, "strerror", "") or problem)
    return text.removeprefix("Error : ").rstrip(". \n") or type(problem).__name__
