"""Variants of a player through a codec: master, decode or residual.

A player's id may go on with `+opus128` (its music is encoded first, whatever the player itself does),
`+master` (the same player, nothing encoded) and `+difference` or `+difference20` (only what the encoding
changed, decode − master, with the player's gain, raised by so many dB). Each is a player like any other, so
that levels, matching, the loudness guard and the record know it. Values only.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import cast

import msgspec

from simulator.common.errors import UsageError
from simulator.common.numbers import level, signed, whole_number
from simulator.normalizer.codec_records import CODEC_NAMES, CODECS, CodecName
from simulator.normalizer.profile import Delivery, Profile

CONVERTER = "+converter"
MASTER = "+master"
DIFFERENCE = "+difference"
MOST_RAISED_DB = 40
HIGHEST_DBTP = -1.0
"""So far a difference is raised at most."""
SAID_DB = 0.05
LEAST_KBPS = 32.0
EXAMPLE = "codec opus 128, codec off, codec difference 20"
_WAY = re.compile(rf"\+(?:({'|'.join(map(re.escape, CODECS))})(\d+)|(master))")


def with_converter(profile: str) -> str:
    """The id of a player with a converter behind it that has no headroom."""
    return profile if profile.endswith(CONVERTER) else profile + CONVERTER


def behind_converter(profile: Profile) -> Profile:
    """The same player with such a converter (instead of its own, if it has one)."""
    return msgspec.structs.replace(profile, id=with_converter(profile.id), converter_headroom_db=0.0)


def base_of(name: str) -> str:
    """The id of the player that this one is made from."""
    return name.partition("+")[0]


def is_difference(name: str) -> bool:
    return DIFFERENCE in name


def raised_db(name: str) -> float:
    """By how much the difference is raised."""
    found = re.search(r"\+difference(\d+)", name)
    return float(found[1]) if found else 0.0


def raise_db(asked_db: float, peak_dbtp: float | None) -> float:
    """How far a difference is raised, by its highest peak at the player's gain: as asked, but not so that a
    peak comes above HIGHEST_DBTP. Never negative: the player's own gain may bring it there."""
    return asked_db if peak_dbtp is None else max(min(asked_db, HIGHEST_DBTP - peak_dbtp), 0.0)


def raise_words(music_db: float, raised_db: float, asked_db: float) -> str:
    """Why a difference plays at its gain: the music's, and what was added."""
    said = f"This is only what the encoding changed, at {signed(music_db + raised_db)} dB: the player's gain"
    if not asked_db:
        return f"{said} for the music."
    said += f" of {signed(music_db)} dB for the music"
    if raised_db > asked_db - SAID_DB:
        return f"{said}, raised by {asked_db:g} dB."
    if raised_db > SAID_DB:
        return (
            f"{said}, raised by {level(raised_db)} of {asked_db:g} dB: further, the highest peak in the list "
            "would pass −1 dBTP."
        )
    return (
        f"{said}, not raised by the {asked_db:g} dB asked for: the highest peak in the list is at −1 dBTP or "
        "above already."
    )


def decode_of(name: str) -> str:
    """The id under which the decode itself plays that this difference belongs to."""
    return re.sub(r"\+difference\d*", "", name)


def setting_of(name: str) -> str:
    """The codec that was put before the player, as its id says it (`+opus128`); empty where none was."""
    found = _WAY.search(name)
    return found[0] if found is not None and found[1] else ""


def wanted(current: str, words: list[str], profiles: Mapping[str, Profile], last: str = "") -> str:
    """The id of the player that `codec WORDS` asks for, from the one that plays; `last` is the setting that
    was heard last. Raises UsageError."""
    base = base_of(current)
    own = "" if _encodes(profiles[base]) else last
    encoded = base + (setting_of(current) or own)
    word = words[0].casefold()
    if word in ("off", "master") and len(words) == 1:
        return base if not _encodes(profiles[base]) else base + MASTER
    if word in CODEC_NAMES:
        return f"{base}+{word}{_kbps(word, words[1:]):g}"
    if not _encodes(profile_named(profiles, encoded)):
        raise UsageError("This player gives out the master itself; name a codec.", EXAMPLE)
    if word in ("on", "decode") and len(words) == 1:
        return encoded
    if word == "difference":
        by = _raised(words[1:])
        return encoded + DIFFERENCE + (f"{by}" if by else "")
    raise UsageError(f"“{' '.join(words)}” is no way to hear a codec.", EXAMPLE)


def profile_named(profiles: Mapping[str, Profile], name: str) -> Profile:
    """The player of this id, made from its base where the id goes on. Raises KeyError."""
    if name in profiles:
        return profiles[name]
    found = profiles[base_of(name)]
    rest = name[len(base_of(name)) :]
    way = _WAY.match(rest)
    if way is not None:
        rest = rest[way.end() :]
        found = _master_of(found) if way[3] else _encoded(found, way[1], float(way[2]))
    if rest.startswith(DIFFERENCE):
        by = raised_db(rest)
        rest = re.sub(r"^\+difference\d*", "", rest)
        found = _difference_of(found, by)
    if rest == CONVERTER:
        found = behind_converter(found)
    elif rest:
        raise KeyError(name)
    return msgspec.structs.replace(found, id=name)


def words_of(delivery: Delivery) -> str:
    """`Opus at 128 kbit/s`."""
    return f"{CODEC_NAMES[delivery.codec]} at {delivery.bit_rate_kbps:g} kbit/s"


def _encodes(profile: Profile) -> bool:
    return profile.delivery is not None and profile.delivery.codec != "none"


def _master_of(profile: Profile) -> Profile:
    return msgspec.structs.replace(
        profile,
        delivery=None,
        title=f"{profile.title}, from the master",
        sentence="The master itself goes through the player, nothing is encoded.",
    )


def _encoded(profile: Profile, word: str, kbps: float) -> Profile:
    delivery = Delivery(codec=cast(CodecName, word), bit_rate_kbps=kbps)
    return msgspec.structs.replace(
        profile,
        delivery=delivery,
        title=f"{profile.title}, after {words_of(delivery)}",
        sentence="The master is encoded, and the player gets what the decoder gives back.",
    )


def _difference_of(profile: Profile, by_db: float) -> Profile:
    """A plain gain on what the encoding changed."""
    raised = f", raised by {by_db:g} dB as far as that lifts none of its peaks above −1 dBTP" if by_db else ""
    return msgspec.structs.replace(
        profile,
        title=f"{profile.title}: only what the encoding changed",
        sentence=f"Decode minus master, at the player's gain{raised}. Within the music most of it is "
        "covered, so alone it is not what a listener hears.",
        upward="unprotected",
        limiter=None,
        converter_headroom_db=None,
    )


def _kbps(word: str, rest: list[str]) -> float:
    text = rest[0].casefold().removesuffix("kbit/s").removesuffix("k") if len(rest) == 1 else ""
    record = CODECS[word]
    most = record.most_kbps
    kbps = whole_number(text)
    if kbps is None or not LEAST_KBPS <= kbps <= most:
        asked = f"“{' '.join(rest)}”" if rest else "no bit rate"
        raise UsageError(
            f"{CODEC_NAMES[word]} takes {LEAST_KBPS:g} to {most:g} kbit/s, got {asked}.", f"codec {word} 128"
        )
    only = record.constant_kbps
    if only and kbps not in only:
        raise UsageError(
            f"{record.title} has no bit rate of {kbps} kbit/s; it has {_listed(only)}.", f"codec {word} 128"
        )
    return float(kbps)


def _listed(numbers: Sequence[int]) -> str:
    return f"{', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _raised(rest: list[str]) -> int:
    text = " ".join(rest).casefold().removesuffix("db").strip().removeprefix("+")
    if not text:
        return 0
    by = whole_number(text)
    if by is None or by > MOST_RAISED_DB:
        raise UsageError(
            f"The difference is raised by 0 to {MOST_RAISED_DB} dB, in whole ones.", "codec difference 20"
        )
    return by
