"""Audio file as blocks of float32 samples, decoded by libsndfile, with its faults named.

Decoding runs in a thread beside the measuring (libsndfile releases Python's lock); the content hash is taken
of the decoded samples in the same pass. Lossy files are decoded to float, so that peaks above full scale
stay. Source of the RIFF chunks: Microsoft and IBM, Multimedia Programming Interface and Data Specifications
1.0, from memory.
"""

from __future__ import annotations

import hashlib
import os
import queue
import struct
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from io import FileIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.faults import (
    MP3_SLACK_FRAMES,
    chained,
    check_file,
    check_info,
    is_chained,
    is_truncated,
    mp3_seconds,
    partly_read,
    plain,
    truncated,
)
from simulator.audio_files.mp4 import AvFile, looks_like_mp4
from simulator.common.errors import AudioError, SimulatorError
from simulator.common.units import format_time
from simulator.dsp.segments import SEGMENT_FRAMES

READABLE = "WAV, RF64, W64, AIFF, CAF, FLAC, Ogg Vorbis, Opus and MP3 (M4A with PyAV)"
LOSSY_SUBTYPES = ("VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III", "AAC", "MP3")
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_BITS |= {f"ALAC_{bits}": bits for bits in (16, 20, 24, 32)}
_AHEAD_FRAMES = 8 * SEGMENT_FRAMES
_PIECE_FRAMES = 1024
_XIPH_ORDER = {3: [0, 2, 1], 5: [0, 2, 1, 3, 4], 6: [0, 2, 1, 5, 3, 4]}
"""Vorbis and Opus hold L C R (Ls Rs LFE), which libsndfile leaves as it is; picks the order of
common/channels. Source: Xiph.Org, Vorbis I specification, 4.3.9; RFC 7845, 5.1.1.2."""
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
        identity = f"{self.info.sample_rate} {self.info.channels} {self.info.bits}\n".encode()
        self._digest: Any = hashlib.sha256(identity) if hashed else None
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
        except Exception as problem:  # whoever waits for blocks would wait for ever
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
                    where = _stops(self.info, frames, frames + self._block_frames)
                    raise AudioError(
                        f"{self.info.path}: the decoder stopped {where}: {plain(problem)}.",
                        "The file is damaged or truncated there; copy or export it again.",
                    ) from None
                if not block.shape[0]:
                    break
                frames += block.shape[0]
                yield block
        if not self._stop.is_set():
            self._check_length(frames)

    def _check_length(self, frames: int) -> None:
        if not frames:
            raise AudioError(f"{self.info.path}: the file contains no audio.", "Export it again.")
        # without its tag, the length of an MP3 is only an estimate
        if self.info.container != "MP3" and frames < self.info.frames:
            raise truncated(self.info, frames, self.info.frames)
        try:
            cut = is_truncated(self.info.path, self.info.container)
            seconds, one = mp3_seconds(self.info.path) if self.info.container == "MP3" else (0.0, 0.0)
            more = self.info.container == "OGG" and is_chained(self.info.path)
        except OSError:  # taken away meanwhile; all of it was read
            return
        if cut:
            raise truncated(self.info, frames, max(frames, self.info.frames))
        if seconds > frames / self.info.sample_rate + MP3_SLACK_FRAMES * one:
            raise partly_read(self.info, frames, seconds)
        if more:
            raise chained(self.info.path)


def read_info(path: str) -> AudioInfo:
    """The header alone. Raises AudioError."""
    file, info = _opened(path)
    file.close()
    return info


def is_lossy(path: str) -> bool:
    """By its header; False for what cannot be read (or is known from the cache and gone since)."""
    try:
        return read_info(path).lossy
    except SimulatorError:
        return False


def _opened(path: str) -> tuple[Any, AudioInfo]:
    """The open file and what its header says."""
    import soundfile

    check_file(path)
    file: Any
    try:
        if looks_like_mp4(path):
            file = AvFile(path)
        else:
            file = soundfile.SoundFile(os.fsencode(path) if os.name == "posix" else path)
            # or it seeks after every read, which restarts the decoder: MP3 frames of a low bit rate then lose
            # what they take from more than four frames before them, and the moment is mute
            file.seekable = lambda: False
    except ImportError:
        raise AudioError(
            f"{path}: M4A files (AAC, ALAC) need the optional PyAV library, which is not installed.",
            'Install it with `pip install "fairhearing[aac]"`, or export the file as WAV or FLAC.',
        ) from None
    except (soundfile.LibsndfileError, RuntimeError, OSError, ValueError) as problem:
        raise AudioError(
            f"{path}: cannot read this as audio ({plain(problem)}).",
            f"Supported: {READABLE}. Convert it first.",
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
        check_info(info, file.extra_info)
        samples = open_pcm(info)
    except OSError as problem:  # not an AudioError
        file.close()
        raise AudioError(f"{path}: cannot open the file: {plain(problem)}.", "Check the path.") from None
    except BaseException:
        file.close()
        raise
    if samples is not None:
        file.close()
        return samples, info
    return file, info


def _stops(info: AudioInfo, first: int, end: int) -> str:
    """Where the decoder stops in a block, in words: found by reading the block again, in small pieces."""
    at, reached = first, False
    try:
        file, _ = _opened(info.path)
        with file:
            file.seek(first)
            reached = True
            piece = np.empty((_PIECE_FRAMES, info.channels), dtype=np.float32)
            while at < end and (count := file.read(out=piece).shape[0]):
                at += count
    except Exception:  # the fault once more, or a file that cannot be read from its middle
        if reached:
            return f"at {format_time(at / info.sample_rate)}"
    last = min(end, info.frames) if info.frames > first else end
    return f"between {format_time(first / info.sample_rate)} and {format_time(last / info.sample_rate)}"


SAMPLE_BYTES = {"PCM_16": 2, "PCM_24": 3}
CONTAINERS = ("WAV", "WAVEX")
_MOST_CHUNKS = 1000


def open_pcm(info: AudioInfo) -> PcmFile | None:
    """The samples of a plain 16- or 24-bit WAV file; None for any other. Raises OSError."""
    if info.container not in CONTAINERS or info.subtype not in SAMPLE_BYTES:
        return None
    size = SAMPLE_BYTES[info.subtype] * info.channels * info.frames
    file = open(info.path, "rb", buffering=0)  # noqa: SIM115 - PcmFile closes it
    try:
        chunk = _data_chunk(file)
        # a size that a stream could not know, or a truncated file: libsndfile has its own ways with those
        if chunk is None or chunk[1] != size or chunk[0] + size > os.fstat(file.fileno()).st_size:
            file.close()
            return None
        file.seek(chunk[0])
    except BaseException:
        file.close()
        raise
    return PcmFile(file, SAMPLE_BYTES[info.subtype], info.channels, info.frames)


class PcmFile:
    """Gives the samples in order, by the method of soundfile.SoundFile that the reader calls."""

    def __init__(self, file: FileIO, sample_bytes: int, channels: int, frames: int) -> None:
        self._file, self._sample_bytes, self._channels, self._left = file, sample_bytes, channels, frames
        self._bytes = bytearray()
        self._whole = np.empty(0, np.int32)

    def __enter__(self) -> PcmFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._file.close()

    def read(self, out: NDArray[np.float32]) -> NDArray[np.float32]:
        """Fills `out` (frames, channels), C-ordered, and returns it, or its beginning at the end of the file.
        Raises OSError."""
        wanted = min(out.shape[0], self._left)
        count = wanted * self._channels * self._sample_bytes
        if len(self._bytes) < count + 1:
            self._bytes = bytearray(count + 1)
        there = 0
        with memoryview(self._bytes) as memory:
            while there < count and (got := self._file.readinto(memory[1 + there : 1 + count])):
                there += got
        frames = there // (self._channels * self._sample_bytes)
        self._left = self._left - frames if frames == wanted else 0
        self._convert(out[:frames].reshape(-1))
        return out[:frames]

    def _convert(self, out: NDArray[np.float32]) -> None:
        """The samples that lie in the bytes from the second on, full scale at 1."""
        count = out.shape[0]
        if self._sample_bytes == 2:
            words = np.frombuffer(self._bytes, "<i2", count, 1)
            np.multiply(words, np.float32(2.0**-15), out=out, dtype=np.float32)
            return
        if self._whole.shape[0] < count:
            self._whole = np.empty(count, np.int32)
        # read with the byte before it, a sample is the upper three bytes of a word
        words = np.ndarray((count,), "<i4", self._bytes, 0, (3,))
        whole = np.bitwise_and(words, -256, out=self._whole[:count])
        np.multiply(whole, np.float32(2.0**-31), out=out, dtype=np.float32, casting="unsafe")


def _data_chunk(file: FileIO) -> tuple[int, int] | None:
    """Place and size of the samples in bytes; None where this is no plain RIFF."""
    head = file.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"WAVE":
        return None
    place = 12
    for _ in range(_MOST_CHUNKS):
        file.seek(place)
        chunk = file.read(8)
        if len(chunk) < 8:
            return None
        name, size = struct.unpack("<4sI", chunk)
        if name == b"data":
            return place + 8, size
        place += 8 + size + size % 2
    return None
