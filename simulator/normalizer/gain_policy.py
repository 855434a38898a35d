"""Gain policy: the gain that is applied, once the wanted one is known.

Conventions: gains and levels in dB; the peak is of the kind that the ceiling counts; largest boost
and cut are magnitudes and bound the wanted gain before the peak is looked at (a ceiling that always
applies may therefore cut by more than the largest cut). Source: the four policies of published
players (attenuate only; up to the headroom: ReplayGain's clipping prevention; boosted and limited:
EBU R 128 s2; boosted unprotected), all as secondary sources state them.
"""

from __future__ import annotations

from typing import Literal

from simulator.normalizer.profile import Profile

LimitedBy = Literal[
    "nothing",
    "no_upward_gain",
    "headroom",
    "ceiling",
    "max_boost",
    "max_cut",
    "unmeasurable",
    "no_target",
]
"""What kept a gain from what the player wanted. "headroom" is a raise cut short by the ceiling, "ceiling" a
track turned down because of its peak; with "unmeasurable" and "no_target" no gain was wanted at all."""
SAME_DB = 1e-9
"""Differences smaller than this are rounding: they count as no limit."""


def applied_gain_db(
    profile: Profile, wanted_gain_db: float, peak_db: float | None
) -> tuple[float, LimitedBy]:
    """The applied gain and what limited it. A `peak_db` of None (silence) meets no ceiling."""
    limited_by: LimitedBy = "nothing"
    gain_db = wanted_gain_db
    if profile.max_boost_db is not None and gain_db > profile.max_boost_db + SAME_DB:
        gain_db, limited_by = profile.max_boost_db, "max_boost"
    if profile.max_cut_db is not None and gain_db < -profile.max_cut_db - SAME_DB:
        gain_db, limited_by = -profile.max_cut_db, "max_cut"
    if profile.upward == "never" and gain_db > SAME_DB:
        gain_db, limited_by = 0.0, "no_upward_gain"
    if peak_db is None or profile.upward in ("limited", "unprotected"):
        return gain_db + 0.0, limited_by
    room_db = profile.ceiling.level_db - peak_db
    if profile.ceiling.applies == "always":
        if room_db < gain_db - SAME_DB:
            limited_by = "headroom" if room_db >= 0.0 else "ceiling"
        gain_db = min(gain_db, room_db)
    elif gain_db > 0.0 and profile.upward == "headroom":
        if room_db < gain_db - SAME_DB:
            limited_by = "headroom"
        gain_db = max(0.0, min(room_db, gain_db))
    return gain_db + 0.0, limited_by


def limiter_in_path(profile: Profile, gain_db: float) -> bool:
    """True where the sound runs through the player's limiter. Only where the level is raised, unless the
    ceiling always applies."""
    return profile.limiter is not None and (profile.ceiling.applies == "always" or gain_db > 0.0)


def limiter_will_act(profile: Profile, gain_db: float, peak_db: float | None) -> bool:
    """True where the limiter is in the path and has something to reduce."""
    if profile.limiter is None or peak_db is None or not limiter_in_path(profile, gain_db):
        return False
    return peak_db + gain_db > profile.limiter.ceiling_db + SAME_DB
