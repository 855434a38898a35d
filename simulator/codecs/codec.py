"""Lossy codecs: a master encoded to a file, and read back as the listener's decoder gives it.

Vorbis, Opus and MP3 by libsndfile's encoders, AAC by PyAV (an optional extra). Blocks are float32 (frames,
channels) in the meter's order of channels; decoded to float, so that peaks above full scale stay. Bit rates
are the whole stream's, in kbit/s. MP3, AAC and Opus keep to them; Vorbis has a quality instead: the one whose
nominal rate for two channels at 44.1 kHz is the one asked for. Sources: rates of Opus: RFC 6716, 2; of MP3:
ISO/IEC 11172-3 and 13818-3 (from memory).
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.audio_files.reader import CUSTOMARY_TO_XIPH, AudioReader
from simulator.common.errors import AudioError
from simulator.normalizer.codec_records import CODECS, CodecRecord, titles_or
from simulator.normalizer.profile import Delivery

Block = NDArray[np.float32]

_PIECE = 16_384
"""Frames a write: one long write to the Vorbis encoder kills the interpreter."""


def codec_rate(codec: str, sample_rate: int) -> int:
    """The rate at which a codec takes music of this rate: its own where the codec knows it, else 44.1 kHz
    for the multiples of 11025 Hz (Opus has none of these) and 48 kHz for all others."""
    known = CODECS[codec].sample_rates if codec in CODECS else ()
    if not known or sample_rate in known:
        return sample_rate
    return 44_100 if sample_rate % 11_025 == 0 and 44_100 in known else 48_000


def versions(codec: str) -> str:
    """The libraries that encode and decode, for the cache: another version may give other samples."""
    if CODECS[codec].library == "PyAV":
        av = _av()
        return f"PyAV {av.__version__} {av.library_versions.get('libavcodec')}"
    import soundfile

    return f"libsndfile {soundfile.__libsndfile_version__}"


def encode(blocks: Iterable[Block], sample_rate: int, channels: int, delivery: Delivery, path: Path) -> int:
    """Writes the stream to `path`, which must end as its record says; how many frames went in. `sample_rate`
    must be one that `codec_rate` gives. Raises AudioError for what the codec cannot take."""
    record, kbps = CODECS[delivery.codec], delivery.bit_rate_kbps or 0.0
    if channels > record.most_channels:
        surround = [one for one in CODECS.values() if one.most_channels > 2]
        raise AudioError(
            f"{record.title} carries up to {record.most_channels} channels, but this file has {channels}.",
            f"Choose {titles_or(surround)} for surround, or use a stereo mix.",
        )
    refused = record.refusal(sample_rate, channels, kbps)
    if refused is not None:
        raise AudioError(*refused)
    if record.library == "PyAV":
        from simulator.audio_files.mp4 import encode_aac

        _av()
        return encode_aac(blocks, sample_rate, channels, kbps, path)
    return _encode_sndfile(blocks, sample_rate, channels, record, kbps, path)


def decode(path: Path, frames: int) -> Iterator[Block]:
    """The blocks of an encoded file, exactly `frames` of them: padding at the end is left out. Raises
    AudioError where the decoder gives fewer."""
    left, early = frames, _untagged_delay_frames(path)
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
            f"The decoder returned {frames - left} of {frames} frames.",
            "Try another codec or bit rate for this file.",
        )


def _untagged_delay_frames(path: Path) -> int:
    """The frames of delay at the start of an encoded file that has no tag to state it."""
    suffix = path.suffix.removeprefix(".")
    delay = next((one.untagged_delay_frames for one in CODECS.values() if one.extension == suffix), 0)
    if not delay:
        return 0
    with open(path, "rb") as file:
        first = file.read(64)  # the tag follows the frame's header and at most 32 bytes of side information
    return 0 if b"Info" in first or b"Xing" in first else delay


def _encode_sndfile(
    blocks: Iterable[Block], rate: int, channels: int, record: CodecRecord, kbps: float, path: Path
) -> int:
    import soundfile

    order = CUSTOMARY_TO_XIPH.get(channels) if record.xiph_order else None
    how: dict[str, Any] = {"compression_level": record.level(rate, channels, kbps)}
    if record.bitrate_mode is not None:
        how["bitrate_mode"] = record.bitrate_mode
    name = os.fsencode(path) if os.name == "posix" else os.fspath(path)
    frames = 0
    try:
        with soundfile.SoundFile(
            name, "w", rate, channels, record.subtype, None, record.container, **how
        ) as file:
            for block in blocks:
                for start in range(0, block.shape[0], _PIECE):
                    piece = block[start : start + _PIECE]
                    file.write(piece if order is None else np.ascontiguousarray(piece[:, order]))
                frames += block.shape[0]
    except soundfile.LibsndfileError as problem:
        raise AudioError(
            f"The {record.title} encoder refused: {problem.error_string.rstrip('. ')}.",
            "Choose another bit rate or codec for this file, or free some disk space.",
        ) from None
    return frames


def encoder_gain_db(delivery: Delivery | None) -> float:
    """By how much the encoder itself changes the level, in dB: the MP3 library turns the music down by a
    factor of its own for each bit rate. Measured with sines of 1 kHz (a test does it again); the other
    encoders leave the level as it is."""
    if delivery is None or delivery.bit_rate_kbps is None or delivery.codec not in CODECS:
        return 0.0
    factors = CODECS[delivery.codec].gain_factors
    if not factors:
        return 0.0
    wanted = delivery.bit_rate_kbps
    nearest = min(factors, key=lambda kbps: abs(kbps - wanted))
    return 20.0 * math.log10(factors[nearest])


def _av() -> Any:
    try:
        import av
    except ImportError:
        raise AudioError(
            "AAC needs the optional PyAV library, which is not installed.",
            'Install it with `pip install "fairhearing[aac]"`, or choose '
            f"{titles_or([one for one in CODECS.values() if one.library == 'libsndfile'])}.",
        ) from None
    return av
