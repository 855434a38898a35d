"""Loudness tags: the gains and peaks that a file states.

Two schemes. ReplayGain 2.0: a gain in dB re −18 LUFS, a linear peak with full scale at 1 (sample or true peak
is left open). R128 in Opus: a whole number of 1/256 dB (Q7.8) re −23 LUFS, on top of the output gain in the
stream's header, which every decoder applies. Sources: ReplayGain 2.0 specification, "Metadata" (from memory);
IETF RFC 7845, 5.1 and 5.2.1 (the range and the form of the number secondary; that ReplayGain tags do not
belong in Opus from memory). An invalid tag is left out and reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class TagScheme(StrEnum):
    """The standard that a file's gains follow, as people call it."""

    REPLAYGAIN = "ReplayGain"
    R128 = "R128"


REFERENCE_LUFS = {TagScheme.REPLAYGAIN: -18.0, TagScheme.R128: -23.0}


@dataclass(frozen=True, slots=True)
class LoudnessTags:
    """A file's gains in dB and peaks in dBFS (None without a valid tag), and the output gain of an Opus
    header in dB (None for other files). `faults` are sentences on invalid tags."""

    scheme: TagScheme
    track_gain_db: float | None = None
    album_gain_db: float | None = None
    track_peak_db: float | None = None
    album_peak_db: float | None = None
    header_gain_db: float | None = None
    faults: tuple[str, ...] = ()

    @property
    def reference_lufs(self) -> float:
        """The loudness that the gains aim at."""
        return REFERENCE_LUFS[self.scheme]

    @property
    def track_lufs(self) -> float | None:
        """The loudness implied by the track gain."""
        return None if self.track_gain_db is None else self.reference_lufs - self.track_gain_db

    @property
    def album_lufs(self) -> float | None:
        """The loudness implied by the album gain."""
        return None if self.album_gain_db is None else self.reference_lufs - self.album_gain_db
