"""Arithmetic of dB, loudness, seconds and frames.

Conventions: a *gain* is a linear amplitude factor; `*_db` is 20·log10 of it; *energy* is a mean
square; `*_lufs` is loudness by ITU-R BS.1770-5 Annex 1, formula 2 (−0.691 + 10·log10 of the
channel-weighted sum of K-weighted energies). No function returns −inf or NaN: the level of silence is None.
"""

from __future__ import annotations

import math

LOUDNESS_OFFSET_DB = -0.691
"""BS.1770-5 Annex 1: makes 0 dBFS at 997 Hz in one channel read −3.01."""

TIE_LU = 0.2
"""Two loudnesses that differ by no more than this are called equal in every text. EBU R 128 allows a
measurement ±0.2 LU (secondary)."""

SILENCE_DB = -200.0
"""Below this a level is silence, in dBFS, dBTP and LUFS alike. One step of 16, 24 and 32 bits is −90, −138
and −187 dBFS (20·log10 of 2^(1 − bits)), so no peak of an integer format is lost; the noise of the best
converters is some 70 dB louder (common practice, no source). Quieter residue is arithmetic: single precision
goes down to −759 dBFS (IEEE 754, smallest normal number 2^-126), which decaying decoders and filters leave in
silence."""


def db_to_gain(level_db: float) -> float:
    """Linear amplitude factor of `level_db`."""
    return float(10.0 ** (level_db / 20.0))


def gain_to_db(gain: float) -> float | None:
    """Level in dB of a linear amplitude (sign ignored); None for silence."""
    magnitude = abs(gain)
    return unless_silence(20.0 * math.log10(magnitude)) if magnitude > 0.0 else None


def energy_to_lufs(energy: float) -> float | None:
    """Loudness of a channel-weighted K-weighted mean square; None for silence."""
    return unless_silence(LOUDNESS_OFFSET_DB + 10.0 * math.log10(energy)) if energy > 0.0 else None


def unless_silence(level_db: float) -> float | None:
    """The level; None below SILENCE_DB."""
    return None if level_db < SILENCE_DB else level_db


def lufs_to_energy(loudness_lufs: float) -> float:
    """The channel-weighted K-weighted mean square that reads `loudness_lufs`."""
    return float(10.0 ** ((loudness_lufs - LOUDNESS_OFFSET_DB) / 10.0))


def seconds_to_frames(seconds: float, sample_rate: int) -> int:
    """The nearest whole frame."""
    return math.floor(seconds * sample_rate + 0.5)


def format_time(seconds: float) -> str:
    """`m:ss.s` (`h:mm:ss.s` from an hour on), rounded down."""
    tenths = math.floor(seconds * 10.0 + 1e-9)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"
