"""Profile of a loudness-normalising player, read from TOML text.

A profile is a set of rules and numbers, each number with the place that it comes from: a published
document and its section, "common practice, no source", or "project choice". Levels are in dB or
LUFS as the names say; largest boost and cut are magnitudes (0 or more). A player without a target
(`target_lufs = "none"`) changes nothing. The limiter of a player holds the ceiling of `[ceiling]`
and detects the kind of peak named there. This module must stay free of numpy.
"""

from __future__ import annotations

import re

from msgspec import Struct

from simulator.common.errors import ProfileError
from simulator.common.toml_tables import read_toml
from simulator.dsp.limiter_settings import LimiterSettings
from simulator.normalizer.profile_format import (
    Ceiling,
    Conditional,
    Delivery,
    MonoCounting,
    ProfileFile,
    Scope,
    Upward,
    check_sense,
    sources_of,
)

DEFAULT_UNCERTAINTY_DB = 0.5


class Profile(Struct, frozen=True):
    """One player. `target_lufs` is None for a player that does not normalise. `sources` maps the key
    of each number, as it stands in the file, to where it comes from. `limiter` is given exactly where
    `upward` is "limited"; `converter_headroom_db` where a converter that clips is simulated; `delivery` where
    conversions or a codec stand between the master and the player; a "boost_only"
    ceiling counts only where `upward` is "headroom" or "limited"."""

    id: str
    title: str
    sentence: str
    target_lufs: float | None
    scope: Scope
    upward: Upward
    ceiling: Ceiling
    conditional: Conditional | None
    limiter: LimiterSettings | None
    max_boost_db: float | None
    max_cut_db: float | None
    mono: MonoCounting
    unmeasurable_gain_db: float
    uncertainty_db: float
    sources: dict[str, str]
    converter_headroom_db: float | None = None
    delivery: Delivery | None = None


def check_profile_id(profile_id: str, where: str) -> None:
    """Raise ProfileError unless the id (the file's stem) is of lower-case letters, digits and hyphens."""
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", profile_id):
        raise ProfileError(
            f'{where}: a profile is named in lower-case letters, digits and hyphens, got "{profile_id}".',
            "Give the file another name, such as late-night.toml.",
        )


def parse_profile(text: str, profile_id: str, where: str) -> Profile:
    """The profile that a TOML text describes. `where` names the file in messages. Raises ProfileError
    with file, key, value and cure for anything that does not fit or says two opposite things."""
    check_profile_id(profile_id, where)
    read = read_toml(text, ProfileFile, where, ProfileError)
    for key, line in (("title", read.title), ("sentence", read.sentence)):
        if not line.strip() or not line.isprintable():
            raise ProfileError(f"{where}: {key} must be one line of text, got {line!r}.", "Write one line.")
    check_sense(read, where)
    ceiling = read.ceiling or Ceiling(level_db=0.0, counts="true", applies="boost_only")
    limiter = None
    if read.limiter is not None and read.gain.upward == "limited":
        limiter = LimiterSettings(
            ceiling_db=ceiling.level_db,
            detection=ceiling.counts,
            look_ahead_ms=read.limiter.look_ahead_ms,
            release_ms=read.limiter.release_ms,
        )
    uncertainty_db = read.loudness.uncertainty_db
    return Profile(
        id=profile_id,
        title=read.title,
        sentence=read.sentence,
        target_lufs=None if isinstance(read.loudness.target_lufs, str) else read.loudness.target_lufs,
        scope=read.loudness.scope,
        upward=read.gain.upward,
        ceiling=ceiling,
        conditional=read.conditional,
        limiter=limiter,
        max_boost_db=read.gain.max_boost_db,
        max_cut_db=read.gain.max_cut_db,
        mono=read.loudness.mono,
        unmeasurable_gain_db=read.gain.unmeasurable_gain_db or 0.0,
        uncertainty_db=DEFAULT_UNCERTAINTY_DB if uncertainty_db is None else uncertainty_db,
        sources=sources_of(read, where),
        converter_headroom_db=None if read.converter is None else read.converter.headroom_db,
        delivery=read.delivery,
    )
