"""Codecs of a delivery: one frozen record each, and the registry. A new codec needs a record here and its
name in CodecName; one that libsndfile does not encode also needs an encoder in `codecs/codec.py`.

This module stays free of numpy. Bit rates are of the whole stream, in kbit/s; gains are factors.
Sources: Opus: RFC 6716, 2 and 2.1.1; MP3: ISO/IEC 11172-3 and 13818-3 (from memory); how libsndfile's
`compression_level` maps to bit rates, and what the encoders make of others: measured.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

CodecName = Literal["vorbis", "opus", "mp3", "aac"]
Library = Literal["libsndfile", "PyAV"]
Refusal = tuple[str, str]
"""What the encoder cannot take, and the cure."""


def _any(_rate: int, _channels: int, _kbps: float) -> Refusal | None:
    return None


def _no_level(_rate: int, _channels: int, _kbps: float) -> float:
    return 0.0


@dataclass(frozen=True, slots=True)
class CodecRecord:
    """The properties of a lossy codec."""

    name: str
    """In profiles, ids and the desk's command."""
    title: str
    """For people."""
    extension: str
    most_kbps: float
    library: Library = "libsndfile"
    """libsndfile comes with the program; PyAV is the optional package `fairhearing[aac]`."""
    container: str = ""
    subtype: str = ""
    """libsndfile's names of both."""
    sample_rates: tuple[int, ...] = ()
    """In Hz; none: any."""
    most_channels: int = 6
    constant_kbps: tuple[int, ...] = ()
    """The only bit rates at 32 kHz and above; none: any up to `most_kbps`."""
    refusal: Callable[[int, int, float], Refusal | None] = _any
    """(sample rate, channels, kbit/s) for which the encoder would silently take another bit rate."""
    level: Callable[[int, int, float], float] = _no_level
    """(sample rate, channels, kbit/s) → libsndfile's compression level, 0 (largest) to 1."""
    bitrate_mode: Literal["CONSTANT"] | None = None
    """libsndfile's setting of that name; the level sets the rate."""
    xiph_order: bool = False
    """Surround channels lie in the order of the Vorbis I specification, 4.3.9."""
    untagged_delay_frames: int = 0
    """A decoder's delay where the file has no tag that states it."""
    gain_factors: Mapping[int, float] = field(default_factory=dict)
    """kbit/s → factor by which the encoder itself turns the music down; none: it keeps the level."""


_VORBIS_NOMINAL = (64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 500)
"""kbit/s of the encoder's qualities 0 to 10, two channels at 44.1 kHz (its documentation; from memory)."""


def _vorbis_level(_rate: int, channels: int, kbps: float) -> float:
    """Vorbis has a quality instead of a bit rate: the one with the requested nominal rate."""
    stereo = min(max(kbps * 2.0 / channels, _VORBIS_NOMINAL[0]), _VORBIS_NOMINAL[-1])
    below = min(bisect_right(_VORBIS_NOMINAL, stereo) - 1, len(_VORBIS_NOMINAL) - 2)
    low, high = _VORBIS_NOMINAL[below], _VORBIS_NOMINAL[below + 1]
    return 1.0 - (1.0 / (high - low) * (stereo - low) + below) / 10.0


VORBIS = CodecRecord(
    name="vorbis",
    title="Vorbis",
    extension="ogg",
    most_kbps=500.0,  # its encoder's highest quality
    container="OGG",
    subtype="VORBIS",
    level=_vorbis_level,
    xiph_order=True,
)

_OPUS_KBPS_A_CHANNEL = 256


def _opus_refusal(_rate: int, channels: int, kbps: float) -> Refusal | None:
    most = _OPUS_KBPS_A_CHANNEL * channels
    if kbps <= most:
        return None
    return (
        f"Opus carries up to {most} kbit/s in {channels} channel{'s' * (channels > 1)}.",
        f"Choose {most} kbit/s or less for this file.",
    )


def _opus_level(_rate: int, channels: int, kbps: float) -> float:
    """A channel gets 6 to 256 kbit/s."""
    return min(max(1.0 - (kbps * 1000.0 / channels - 6000.0) / 250_000.0, 0.0), 1.0)


OPUS = CodecRecord(
    name="opus",
    title="Opus",
    extension="opus",
    most_kbps=510.0,  # RFC 6716, 2.1.1
    container="OGG",
    subtype="OPUS",
    sample_rates=(8000, 12000, 16000, 24000, 48000),
    refusal=_opus_refusal,
    level=_opus_level,
    xiph_order=True,
)

MP3_KBPS = (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
"""The constant bit rates of MP3 at 32 kHz and above (ISO/IEC 11172-3, table of bit rates; from memory). Its
encoder takes the nearest one for any other (measured), which is then not the stated one."""
_LOW_MP3_KBPS = {
    16_000: (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    0: (8, 16, 24, 32, 40, 48, 56, 64),
}
"""MP3's bit rates below 32 kHz: from 16 kHz up ISO/IEC 13818-3 (from memory), below what the encoder has."""


def _mp3_refusal(rate: int, _channels: int, kbps: float) -> Refusal | None:
    least = next((least for least in _LOW_MP3_KBPS if rate >= least), 0)
    known = MP3_KBPS if rate >= 32_000 else _LOW_MP3_KBPS[least]
    if kbps in known:
        return None
    return (
        f"MP3 at {rate / 1000:g} kHz does not offer {kbps:g} kbit/s.",
        f"Choose one of {', '.join(map(str, known))}"
        + ("." if rate >= 32_000 else ", or encode at 44.1 or 48 kHz."),
    )


def _mp3_level(rate: int, _channels: int, kbps: float) -> float:
    low, high = (32.0, 320.0) if rate >= 32_000 else (8.0, 160.0) if rate >= 16_000 else (8.0, 64.0)
    return min(max((high - kbps) / (high - low), 0.0), 0.99)  # at 1 the encoder refuses


MP3 = CodecRecord(
    name="mp3",
    title="MP3",
    extension="mp3",
    most_kbps=320.0,  # ISO/IEC 11172-3, table of bit rates
    container="MP3",
    subtype="MPEG_LAYER_III",
    sample_rates=(8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000),
    most_channels=2,
    constant_kbps=MP3_KBPS,
    bitrate_mode="CONSTANT",
    refusal=_mp3_refusal,
    level=_mp3_level,
    # 576 frames of the encoder and 529 of the decoder (from memory; measured at all nine rates)
    untagged_delay_frames=1105,
    # measured with sines of 1 kHz; a test does it again
    gain_factors={128: 0.95, 160: 0.95, 192: 0.97, 224: 0.98, 256: 1.0},
)

AAC = CodecRecord(
    name="aac",
    title="AAC",
    extension="m4a",
    most_kbps=512.0,  # a bound of this project
    library="PyAV",
    sample_rates=(8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 64000, 88200, 96000),
)

CODECS: dict[str, CodecRecord] = {record.name: record for record in (VORBIS, OPUS, MP3, AAC)}
"""The registry, in the order of every list of codecs."""
CODEC_NAMES = {name: record.title for name, record in CODECS.items()}
"""Names for people."""

if set(CODECS) != set(get_args(CodecName)):
    raise AssertionError("CodecName and CODECS name different codecs")


def titles_or(records: list[CodecRecord]) -> str:
    """`Vorbis, Opus or AAC`."""
    titles = [record.title for record in records]
    return " or ".join(filter(None, (", ".join(titles[:-1]), titles[-1])))
