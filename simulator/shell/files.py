"""How does an audio file become blocks of samples? Reading by libsndfile, faults named.

Decoding runs in a thread beside the measuring (libsndfile releases Python's lock), and the content
hash is computed on the decoded samples in the same pass. Lossy files are decoded to float, above full
scale where the decoder says so.
"""

from __future__ import annotations

import hashlib
import os
import queue
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.errors import AudioError
from simulator.measure.layout import CHANNEL_NAMES
from simulator.measure.segments import SEGMENT_FRAMES
from simulator.shell.codec_av import AvFile, looks_like_mp4
from simulator.shell.file_ends import is_cut
from simulator.shell.pcm_file import open_pcm
from simulator.units import format_time

READABLE = "WAV, RF64, W64, AIFF, CAF, FLAC, Ogg Vorbis, Opus and MP3 (M4A with PyAV)"
LOSSY_SUBTYPES = ("VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III", "AAC", "MP3")
LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_BITS |= {f"ALAC_{bits}": bits for bits in (16, 20, 24, 32)}
_MOST_FRAMES = 2**53
_AHEAD_FRAMES = 8 * SEGMENT_FRAMES
_XIPH_ORDER = {3: [0, 2, 1], 5: [0, 2, 1, 3, 4], 6: [0, 2, 1, 5, 3, 4]}
"""Vorbis and Opus hold L C R (Ls Rs LFE), libsndfile gives them as they lie; picks the order of
measure/layout. Source: Xiph.Org, Vorbis I specification, 4.3.9; RFC 7845, 5.1.1.2."""
CUSTOMARY_TO_XIPH = {
    channels: [order.index(place) for place in range(channels)] for channels, order in _XIPH_ORDER.items()
}
"""The way back, for writing."""


@dataclass(frozen=True, slots=True)
class AudioInfo:
    """What the header says. `bits` is the integer word length, None for float or lossy; `frames` may
    be wrong for MP3 (the length comes from the decoding)."""

    path: str
    container: str
    subtype: str
    sample_rate: int
    channels: int
    frames: int
    bits: int | None
    lossy: bool


class AudioReader:
    """One pass over a file: iterate for float32 blocks (frames, channels); afterwards `content` is the
    hash of all samples. Use as a context manager. `ahead`: a thread decodes beside the caller's work (where
    other processes keep the cores busy, it only costs). Raises AudioError with what, where and the cure."""

    def __init__(
        self, path: str, *, hashed: bool = True, ahead: bool = True, block_frames: int = SEGMENT_FRAMES
    ) -> None:
        self._file, self.info = _opened(path)
        self._digest: Any = hashlib.sha256(_identity(self.info)) if hashed else None
        self._ahead, self._threaded = ahead, False
        self._block_frames = block_frames
        self._stop = threading.Event()
        self.content = ""

    def __enter__(self) -> AudioReader:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        if not self._threaded:  # else the thread closes it
            self._file.close()

    def __iter__(self) -> Iterator[NDArray[np.float32]]:
        yield from self._read_ahead() if self._ahead else self._decoded()
        if self._digest is not None:
            self.content = self._digest.hexdigest()

    def _read_ahead(self) -> Iterator[NDArray[np.float32]]:
        ready: queue.Queue[NDArray[np.float32] | Exception | None] = queue.Queue(
            _AHEAD_FRAMES // self._block_frames
        )
        thread = threading.Thread(target=self._decode, args=(ready,), daemon=True)
        thread.start()
        self._threaded = True
        try:
            while (block := ready.get()) is not None:
                if isinstance(block, Exception):
                    raise block
                yield block
        finally:
            self._stop.set()
            while thread.is_alive():  # a full queue would hold the thread
                try:
                    ready.get_nowait()
                except queue.Empty:
                    thread.join(0.005)

    def _decode(self, ready: queue.Queue[NDArray[np.float32] | Exception | None]) -> None:
        try:
            for block in self._decoded():
                ready.put(block)
            ready.put(None)
        except AudioError as problem:
            ready.put(problem)

    def _decoded(self) -> Iterator[NDArray[np.float32]]:
        """The blocks as they are decoded; every fault as an AudioError, named with the place, never lost."""
        frames = 0
        order = _XIPH_ORDER.get(self.info.channels) if self.info.subtype in ("VORBIS", "OPUS") else None
        with self._file as file:
            while not self._stop.is_set():
                try:
                    block = np.empty((self._block_frames, self.info.channels), dtype=np.float32)
                    block = file.read(out=block)
                    if order is not None:
                        block = np.ascontiguousarray(block[:, order])
                    if self._digest is not None:
                        self._digest.update(block)
                except Exception as problem:  # libsndfile's own, or memory
                    at = format_time(frames / self.info.sample_rate)
                    raise AudioError(
                        f"{self.info.path}: the decoder stopped at {at}: {_plain(problem)}.",
                        "The file is damaged or cut short there; copy or export it again.",
                    ) from None
                if not block.shape[0]:
                    break
                frames += block.shape[0]
                yield block
        if not self._stop.is_set():
            self._check_length(frames)

    def _check_length(self, frames: int) -> None:
        if not frames:
            raise AudioError(f"{self.info.path}: the file holds no samples.", "Export it again.")
        # without its tag, the length of an MP3 is only an estimate
        if self.info.container != "MP3" and frames < self.info.frames:
            raise _cut_short(self.info, frames, self.info.frames)
        if is_cut(self.info.path, self.info.container):
            raise _cut_short(self.info, frames, max(frames, self.info.frames))


def read_info(path: str) -> AudioInfo:
    """The header alone. Raises AudioError."""
    file, info = _opened(path)
    file.close()
    return info


def _opened(path: str) -> tuple[Any, AudioInfo]:
    """The open file and what its header says."""
    import soundfile

    _check_file(path)
    file: Any
    try:
        if looks_like_mp4(path):
            file = AvFile(path)
        else:
            file = soundfile.SoundFile(os.fsencode(path) if os.name == "posix" else path)
    except ImportError:
        raise AudioError(
            f"{path}: M4A files (AAC, ALAC) need the optional library PyAV, which is not installed.",
            'Install it with `pip install "fairhearing[aac]"`, or export the file as WAV or FLAC.',
        ) from None
    except (soundfile.LibsndfileError, RuntimeError, OSError, ValueError) as problem:
        raise AudioError(
            f"{path}: this is no audio that can be read ({_plain(problem)}).",
            f"What can be read: {READABLE}. Convert the file to one of them.",
        ) from None
    info = AudioInfo(
        path=path,
        container=file.format,
        subtype=file.subtype,
        sample_rate=file.samplerate,
        channels=file.channels,
        frames=file.frames,
        bits=_BITS.get(file.subtype),
        lossy=file.subtype in LOSSY_SUBTYPES,
    )
    try:
        _check_info(info, file.extra_info)
        plain = open_pcm(path, info.container, info.subtype, info.channels, info.frames)
    except OSError as problem:  # AudioError is none
        file.close()
        raise AudioError(
            f"{path}: the file cannot be opened: {_plain(problem)}.", "Check the path."
        ) from None
    except BaseException:
        file.close()
        raise
    if plain is not None:
        file.close()
        return plain, info
    return file, info


def _check_file(path: str) -> None:
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
        raise AudioError(
            f"{path}: the file cannot be opened: {_plain(problem)}.", "Check the path."
        ) from None


def _check_info(info: AudioInfo, log: str) -> None:
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
        raise _cut_short(info, info.frames, int(found[1]) // frame_bytes)


def _cut_short(info: AudioInfo, frames: int, promised: int) -> AudioError:
    there, whole = (format_time(count / info.sample_rate) for count in (frames, promised))
    of = f"{there} of {whole} are there" if promised > frames else f"after {there}, in mid-sound"
    return AudioError(
        f"{info.path}: the file ends too early: {of}.",
        "It was cut while it was copied or written; copy or export it again.",
    )


def _identity(info: AudioInfo) -> bytes:
    return f"{info.sample_rate} {info.channels} {info.bits}\n".encode()


def _plain(problem: Exception) -> str:
    """The library's words without its prefix, the path and the full stop."""
    text = str(getattr(problem, "error_string", "") or getattr(problem, "strerror", "") or problem)
    return text.removeprefix("Error : ").rstrip(". \n") or type(problem).__name__
