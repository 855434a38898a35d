"""Which number does a level become, and back? The one home of dB, loudness and frame arithmetic.

Conventions: a *gain* is a linear amplitude factor; `*_db` is 20·log10 of it; *energy* is a mean
square; `*_lufs` is loudness by ITU-R BS.1770-5 Annex 1, formula 2 (−0.691 + 10·log10 of the
channel-weighted sum of K-weighted energies). Nothing here returns −inf or NaN: the level of
silence is None.
"""

from __future__ import annotations

import math

LOUDNESS_OFFSET_DB = -0.691
"""BS.1770-5 Annex 1: makes 0 dBFS at 997 Hz in one channel read −3.01."""


def db_to_gain(level_db: float) -> float:
    """Linear amplitude factor of `level_db`."""
    return float(10.0 ** (level_db / 20.0))


def gain_to_db(gain: float) -> float | None:
    """Level in dB of a linear amplitude (sign ignored); None for 0."""
    magnitude = abs(gain)
    return 20.0 * math.log10(magnitude) if magnitude > 0.0 else None


def energy_to_lufs(energy: float) -> float | None:
    """Loudness of a channel-weighted K-weighted mean square; None for 0."""
    return LOUDNESS_OFFSET_DB + 10.0 * math.log10(energy) if energy > 0.0 else None


def lufs_to_energy(loudness_lufs: float) -> float:
    """The channel-weighted K-weighted mean square that reads `loudness_lufs`."""
    return float(10.0 ** ((loudness_lufs - LOUDNESS_OFFSET_DB) / 10.0))


def seconds_to_frames(seconds: float, sample_rate: int) -> int:
    """The nearest whole frame."""
    return math.floor(seconds * sample_rate + 0.5)


def format_time(seconds: float) -> str:
    """`m:ss.s` (or `h:mm:ss.s` from an hour on), cut, never rounded up past the moment itself."""
    tenths = math.floor(seconds * 10.0 + 1e-9)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"
