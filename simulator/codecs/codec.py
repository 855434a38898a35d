"""Lossy codecs: a master encoded to a file, and read back as the listener's decoder gives it.

Vorbis, Opus and MP3 by libsndfile's encoders, AAC by PyAV (an optional extra). Conventions: blocks float32
(frames, channels) in the meter's order of channels; decoded to float, so that peaks above full scale stay;
delay and padding removed: the decode has the frames that were encoded, in place (`codec_alignment` checks).
Bit rates are the whole stream's, in kbit/s. MP3, AAC and Opus keep to them; Vorbis has a quality instead:
the one whose nominal rate for two channels at 44.1 kHz is the one asked for.
An MP3 whose frames are too small for the tag that tells the encoder's delay (under 64 kbit/s at 44.1 and 48
kHz) is played by its decoder with that delay; here it is taken off, as the tag would have it.
Sources: rates of Opus: RFC 6716, 2; of MP3: ISO/IEC 11172-3 and 13818-3 (from memory); how libsndfile's
`compression_level` maps to bit rates, and what the encoders make of others: measured.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from itertools import chain as chained
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import CUSTOMARY_TO_XIPH, AudioReader
from simulator.common.errors import AudioError
from simulator.normalizer.profile import CODEC_NAMES, MP3_KBPS, Delivery

Block = NDArray[np.float32]

EXTENSION = {"vorbis": "ogg", "opus": "opus", "mp3": "mp3", "aac": "m4a"}
_FORM = {"vorbis": ("OGG", "VORBIS"), "opus": ("OGG", "OPUS"), "mp3": ("MP3", "MPEG_LAYER_III")}
_RATES = {
    "opus": (8000, 12000, 16000, 24000, 48000),
    "mp3": (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000),
    "aac": (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 64000, 88200, 96000),
}
_MOST_CHANNELS = {"mp3": 2}
_LOW_MP3_KBPS = {
    16_000: (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    0: (8, 16, 24, 32, 40, 48, 56, 64),
}
"""MP3's bit rates below 32 kHz: from 16 kHz up ISO/IEC 13818-3 (from memory), below what the encoder has."""
_OPUS_KBPS_A_CHANNEL = 256
_TAGLESS_FRAMES = 1105
"""By how much a decoder gives the music late that is told of no delay: 576 frames of the encoder and 529 of
the decoder (from memory; measured at all nine rates, in mono and stereo)."""
_PIECE = 16_384
"""Frames a write: one long write to the Vorbis encoder kills the interpreter."""
_MP3_FACTORS = {128: 0.95, 160: 0.95, 192: 0.97, 224: 0.98, 256: 1.0}
_VORBIS_NOMINAL = (64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 500)
"""kbit/s of the encoder's qualities 0 to 10, two channels at 44.1 kHz (its documentation; from memory)."""


def codec_rate(codec: str, sample_rate: int) -> int:
    """The rate at which a codec takes music of this rate: its own where the codec knows it, else 44.1 kHz
    for the multiples of 11025 Hz (Opus has none of these) and 48 kHz for all others."""
    known = _RATES.get(codec)
    if known is None or sample_rate in known:
        return sample_rate
    return 44_100 if sample_rate % 11_025 == 0 and 44_100 in known else 48_000


def versions(codec: str) -> str:
    """The libraries that encode and decode, for the cache: another version may give other samples."""
    if codec == "aac":
        av = _av()
        return f"PyAV {av.__version__} {av.library_versions.get('libavcodec')}"
    import soundfile

    return f"libsndfile {soundfile.__libsndfile_version__}"


def encode(blocks: Iterable[Block], sample_rate: int, channels: int, delivery: Delivery, path: Path) -> int:
    """Writes the stream to `path`, which must end as EXTENSION says; how many frames went in. `sample_rate`
    must be one that `codec_rate` gives. Raises AudioError for what the codec cannot take."""
    codec, kbps = delivery.codec, delivery.bit_rate_kbps or 0.0
    most = _MOST_CHANNELS.get(codec, 6)
    if channels > most:
        raise AudioError(
            f"{CODEC_NAMES[codec]} carries at most {most} channels, and this file has {channels}.",
            "Choose Vorbis, Opus or AAC for surround, or deliver a stereo mix.",
        )
    _check_bit_rate(codec, sample_rate, channels, kbps)
    if codec == "aac":
        from simulator.audio_files.mp4 import encode_aac

        _av()
        return encode_aac(blocks, sample_rate, channels, kbps, path)
    return _encode_sndfile(blocks, sample_rate, channels, codec, kbps, path)


def decode(path: Path, frames: int) -> Iterator[Block]:
    """The blocks of an encoded file, exactly `frames` of them: padding at the end is left out. Raises
    AudioError where the decoder gives fewer."""
    left, early = frames, _untold_frames(path)
    with AudioReader(os.fspath(path), hashed=False) as reader:
        for whole in reader:
            block = whole[early:]
            early -= whole.shape[0] - block.shape[0]
            if left <= 0 or not block.shape[0]:
                continue  # to the end, so that the reader closes its file by its normal way
            yield block[:left]
            left -= block.shape[0]
    if left > 0:
        raise AudioError(
            f"The decoder gave back {frames - left} of {frames} frames.",
            "Another codec or bit rate may work for this file.",
        )


def _untold_frames(path: Path) -> int:
    """The frames of delay at the start of an encoded file of which its decoder is not told."""
    if path.suffix != f".{EXTENSION['mp3']}":
        return 0
    with open(path, "rb") as file:
        first = file.read(64)  # the tag follows the frame's header and at most 32 bytes of side information
    return 0 if b"Info" in first or b"Xing" in first else _TAGLESS_FRAMES


def _check_bit_rate(codec: str, rate: int, channels: int, kbps: float) -> None:
    """Raises AudioError for a bit rate for which the encoder would take another one, without a word."""
    if codec == "mp3":
        least = next((least for least in _LOW_MP3_KBPS if rate >= least), 0)
        known = MP3_KBPS if rate >= 32_000 else _LOW_MP3_KBPS[least]
        if kbps not in known:
            raise AudioError(
                f"MP3 at {rate / 1000:g} kHz has no bit rate of {kbps:g} kbit/s.",
                f"Choose one of {', '.join(map(str, known))}"
                + ("." if rate >= 32_000 else ", or deliver at 44.1 or 48 kHz."),
            )
    if codec == "opus" and kbps > _OPUS_KBPS_A_CHANNEL * channels:
        most = _OPUS_KBPS_A_CHANNEL * channels
        raise AudioError(
            f"Opus carries at most {most} kbit/s in {channels} channel{'s' * (channels > 1)}.",
            f"Choose {most} kbit/s or less for this file.",
        )


def _encode_sndfile(
    blocks: Iterable[Block], rate: int, channels: int, codec: str, kbps: float, path: Path
) -> int:
    import soundfile

    container, subtype = _FORM[codec]
    order = CUSTOMARY_TO_XIPH.get(channels) if codec in ("vorbis", "opus") else None
    how: dict[str, Any] = {"compression_level": _level(codec, rate, channels, kbps)}
    if codec == "mp3":
        how["bitrate_mode"] = "CONSTANT"  # alone it is ignored; the level says which rate
    name = os.fsencode(path) if os.name == "posix" else os.fspath(path)
    frames = 0
    try:
        with soundfile.SoundFile(name, "w", rate, channels, subtype, None, container, **how) as file:
            for block in chained.from_iterable(_pieces(block) for block in blocks):
                file.write(block if order is None else np.ascontiguousarray(block[:, order]))
                frames += block.shape[0]
    except soundfile.LibsndfileError as problem:
        raise AudioError(
            f"The {CODEC_NAMES[codec]} encoder refused: {problem.error_string.rstrip('. ')}.",
            "Choose another bit rate or codec for this file, or free space for temporary files.",
        ) from None
    return frames


def _pieces(block: Block) -> Iterator[Block]:
    return (block[start : start + _PIECE] for start in range(0, block.shape[0], _PIECE))


def _level(codec: str, rate: int, channels: int, kbps: float) -> float:
    """libsndfile's compression level, 0 (largest) to 1, for a bit rate."""
    if codec == "vorbis":
        stereo = kbps * 2.0 / channels
        return 1.0 - float(np.interp(stereo, _VORBIS_NOMINAL, np.arange(11))) / 10.0
    if codec == "opus":  # a channel gets 6 to 256 kbit/s
        level = 1.0 - (kbps * 1000.0 / channels - 6000.0) / 250_000.0
        return min(max(level, 0.0), 1.0)
    low, high = (32.0, 320.0) if rate >= 32_000 else (8.0, 160.0) if rate >= 16_000 else (8.0, 64.0)
    return min(max((high - kbps) / (high - low), 0.0), 0.99)  # at 1 the encoder refuses


def encoder_gain_db(delivery: Delivery | None) -> float:
    """By how much the encoder itself changes the level, in dB: the MP3 library turns the music down by a
    factor of its own for each bit rate. Measured with sines of 1 kHz (a test does it again); the other
    encoders leave the level as it is."""
    if delivery is None or delivery.codec != "mp3" or delivery.bit_rate_kbps is None:
        return 0.0
    wanted = delivery.bit_rate_kbps
    nearest = min(_MP3_FACTORS, key=lambda kbps: abs(kbps - wanted))
    return 20.0 * math.log10(_MP3_FACTORS[nearest])


def _av() -> Any:
    try:
        import av
    except ImportError:
        raise AudioError(
            "AAC needs the optional library PyAV, which is not installed.",
            'Install it with `pip install "fairhearing[aac]"`, or choose Vorbis, Opus or MP3.',
        ) from None
    return av
