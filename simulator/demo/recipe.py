"""Recipes of the masters: the `[[master]]` tables of a score, one for each file.

With `peak_dbtp` alone the mix only gets a gain. With `target_lufs` it goes through what is named, in
this order: ride → drive → soft clip → limiter, and the drive is searched so that the result has the
target as its integrated loudness. All numbers are the project's own choices, named where they stand;
the loud recipe is a stand-in for what a mastering engineer does with more care.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from simulator.dsp.limiter_settings import LimiterSettings


class Recipe(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One master. `file` is the stem of its file. `ride_ratio` squeezes the slow course of loudness (2
    halves every difference from the loudest passage) by at most `ride_max_db`; `clip_db` is how far
    above the limiter's ceiling the soft clip ends, None for no clip."""

    file: str
    peak_dbtp: float | None = None
    target_lufs: float | None = None
    ride_ratio: float = 1.0
    ride_max_db: float = 6.0
    clip_db: float | None = None
    ceiling_db: float = -1.0
    detection: Literal["true", "sample"] = "true"
    look_ahead_ms: float = 3.0
    release_ms: float = 120.0

    @property
    def limiter(self) -> LimiterSettings:
        return LimiterSettings(self.ceiling_db, self.detection, self.look_ahead_ms, self.release_ms)

    def fault(self) -> str | None:
        """What is wrong with it, None if nothing."""
        if (self.peak_dbtp is None) == (self.target_lufs is None):
            return "exactly one of peak_dbtp and target_lufs must be given"
        if self.ride_ratio < 1.0:
            return f"ride_ratio must be 1 or more, got {self.ride_ratio:g}"
        if self.clip_db is not None and not self.clip_db > 0.0:
            return f"clip_db must be above 0, got {self.clip_db:g}"
        if min(self.look_ahead_ms, self.release_ms) <= 0.0:
            return "look_ahead_ms and release_ms must be above 0"
        return None
