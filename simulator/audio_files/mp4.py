"""AAC and ALAC in MP4 files (.m4a), read and written by PyAV, an optional extra.

`AvFile` offers what `audio_files/reader` asks of an open libsndfile file, so that the rest of the
program does not see the difference. The decoder drops the encoder's delay by the file's edit list; what it
gives after the length that the file states is padding, and left out. Decoded to float; 5.1
comes as L R C LFE Ls Rs.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.common.errors import AudioError

Block = NDArray[np.float32]

_LAYOUT = {1: "mono", 2: "stereo", 3: "3.0", 4: "quad", 5: "5.0", 6: "5.1"}
_FRAME = 1024
_SUBTYPE = {"aac": "AAC", "alac": "ALAC"}


def looks_like_mp4(path: str) -> bool:
    """True for a file that begins as MP4 files do (ISO/IEC 14496-12: a box of the type `ftyp`)."""
    try:
        with open(path, "rb") as file:
            return file.read(8)[4:] == b"ftyp"
    except OSError:
        return False


def encode_aac(blocks: Iterable[Block], sample_rate: int, channels: int, kbps: float, path: Path) -> int:
    """Writes an .m4a; how many frames went in. Raises AudioError where the encoder refuses."""
    import av

    frames = 0
    try:
        # the file states its length in units of this scale, a millisecond by default
        with av.open(str(path), "w", format="mp4", options={"movie_timescale": str(sample_rate)}) as out:
            # noise substitution lets every decoder draw noise of its own: peaks would differ by 0.5 dB
            stream: Any = out.add_stream("aac", rate=sample_rate, options={"aac_pns": "0"})
            stream.layout = _LAYOUT[channels]
            stream.bit_rate = round(kbps * 1000.0)
            for block in _recut(blocks, channels):
                frame: Any = av.AudioFrame.from_ndarray(
                    np.ascontiguousarray(block.T), format="fltp", layout=_LAYOUT[channels]
                )
                frame.sample_rate, frame.pts, frame.time_base = sample_rate, frames, Fraction(1, sample_rate)
                out.mux(stream.encode(frame))
                frames += block.shape[0]
            out.mux(stream.encode(None))
    except (av.FFmpegError, ValueError) as problem:
        raise AudioError(
            f"The AAC encoder refused: {_plain(problem)}.", "Choose another bit rate or codec for this file."
        ) from None
    return frames


def _recut(blocks: Iterable[Block], channels: int) -> Iterator[Block]:
    """Pieces of exactly one codec frame; the last may be shorter."""
    rest = np.zeros((0, channels), dtype=np.float32)
    for block in blocks:
        joined = np.concatenate([rest, block]) if rest.shape[0] else block
        whole = joined.shape[0] // _FRAME * _FRAME
        for start in range(0, whole, _FRAME):
            yield joined[start : start + _FRAME]
        rest = joined[whole:]
    if rest.shape[0]:
        yield rest


class AvFile:
    """An open .m4a: what the header says, and `read`."""

    format = "MP4"
    extra_info = ""

    def __init__(self, path: str) -> None:
        """Raises ImportError where PyAV is missing, ValueError for what it cannot read."""
        import av

        try:
            self._container: Any = av.open(path)
        except av.FFmpegError as problem:
            raise ValueError(_plain(problem)) from None
        if not self._container.streams.audio:
            self._container.close()
            raise ValueError("it contains no audio")
        stream: Any = self._container.streams.audio[0]
        self._stream = stream
        codec = stream.codec_context
        self.samplerate: int = codec.sample_rate
        self.channels: int = codec.layout.nb_channels
        self.subtype = _SUBTYPE.get(codec.name, codec.name.upper())
        if self.subtype == "ALAC":
            # the decoder gives 16 bits as such and more in 32; ALAC of more than 16 is 24 in practice
            self.subtype = "ALAC_16" if codec.format.name.startswith("s16") else "ALAC_24"
        self.frames = round(stream.duration * stream.time_base * self.samplerate) if stream.duration else 0
        self._left = self.frames or 2**62
        self._decoded: Iterator[Any] | None = None
        self._rest = np.zeros((0, self.channels), dtype=np.float32)
        self._closing = threading.Lock()

    def read(self, out: Block) -> Block:
        """Fills `out` (frames, channels) as far as the file goes; the part that was filled."""
        filled = 0
        while filled < out.shape[0]:
            if not self._rest.shape[0] and not self._next():
                break
            part = self._rest[: out.shape[0] - filled]
            out[filled : filled + part.shape[0]] = part
            self._rest = self._rest[part.shape[0] :]
            filled += part.shape[0]
        return out[:filled]

    def _next(self) -> bool:
        import av

        if self._decoded is None:
            self._decoded = iter(self._container.decode(self._stream))
        try:
            frame = next(self._decoded, None)
        except av.FFmpegError as problem:
            raise ValueError(_plain(problem)) from None
        if frame is None or self._left <= 0:
            return False
        samples = _as_float(frame.to_ndarray(), frame.format.is_planar, self.channels)
        self._rest = samples[: self._left]
        self._left -= self._rest.shape[0]
        return bool(self._rest.shape[0] > 0)

    def close(self) -> None:
        with self._closing:
            self._container.close()

    def __enter__(self) -> AvFile:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self.close()


def _as_float(samples: NDArray[Any], planar: bool, channels: int) -> Block:
    """(frames, channels) float32, full scale ±1."""
    shaped = samples.T if planar else samples.reshape(-1, channels)
    if shaped.dtype.kind == "f":
        return np.ascontiguousarray(shaped, dtype=np.float32)
    scale = np.float64(2.0 ** (1 - 8 * shaped.dtype.itemsize))
    return np.ascontiguousarray(shaped * scale, dtype=np.float32)


def _plain(problem: Exception) -> str:
    return str(getattr(problem, "strerror", "") or problem).rstrip(". ")
