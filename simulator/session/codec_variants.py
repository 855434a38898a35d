"""Variants of a player: through a codec (master, decode or residual), and by another album rule.

A player's id may go on with `+opus128` (its music is encoded first, whatever the player itself does),
`+master` (the same player, nothing encoded) and `+difference` or `+difference20` (only what the encoding
changed, decode − master, with the player's gain, raised by that many dB); or with `+versions` (only what the
versions of a song differ by). Before these comes `+tracks`, `+albumloudest` or `+albumprogramme` for
another album rule than the player's own. Each is a player like any other, so that levels, matching,
the loudness guard and the record know it. Values only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

import msgspec

from simulator.common.errors import UsageError
from simulator.common.text import level, signed, whole_number
from simulator.normalizer.codec_records import CODEC_NAMES, CODECS, CodecName
from simulator.normalizer.profile import Delivery, Profile, Scope

CONVERTER = "+converter"
MOST_RAISED_DB = 40
HIGHEST_DBTP = -1.0
"""So far a difference is raised at most."""
SAID_DB = 0.05
LEAST_KBPS = 32.0
SCOPES: dict[Scope, str] = {
    "track": "tracks",
    "album_loudest": "albumloudest",
    "album_programme": "albumprogramme",
}
"""How an id names an album rule."""
EXAMPLE = "codec opus 128, codec off, codec residual 20"


@dataclass(frozen=True, slots=True)
class Variant:
    """A player made from a player; its id is only text for the session file (`parse` reads it back)."""

    profile: str
    codec: CodecName | None = None
    """Encodes first, at `kbps`, whatever the player itself does."""
    kbps: int = 0
    part: Literal["played", "master", "difference", "versions"] = "played"
    """As the player gives it; with nothing encoded; only what the encoding changed; only what the versions of
    a song differ by."""
    raise_db: int = 0
    """By how much a difference is raised."""
    converter: bool = False
    """Behind a converter without headroom."""
    scope: Scope | None = None
    """The album rule, where it is not the player's own."""

    @property
    def id(self) -> str:
        scope = "" if self.scope is None else f"+{SCOPES[self.scope]}"
        codec = "" if self.codec is None else f"+{self.codec}{self.kbps}"
        part = "" if self.part == "played" else f"+{self.part}"
        raised = f"{self.raise_db}" if self.raise_db else ""
        return f"{self.profile}{scope}{codec}{part}{raised}{CONVERTER if self.converter else ''}"


def parse(name: str) -> Variant:
    """The variant of an id. Raises KeyError for one that no variant has."""
    base, *parts = name.split("+")
    rule = next((scope for scope, word in SCOPES.items() if parts[:1] == [word]), None)
    variant, parts = Variant(base, scope=rule), parts[rule is not None :]
    for at, text in enumerate(parts):
        if text == "converter" and at == len(parts) - 1:
            variant = replace(variant, converter=True)
        elif text == "master" and at == 0:
            variant = replace(variant, part="master")
        elif text == "versions" and at == 0:
            variant = replace(variant, part="versions")
        elif text.startswith("difference") and variant.part == "played":
            raised = text.removeprefix("difference")
            variant = replace(variant, part="difference", raise_db=_digits(raised, name) if raised else 0)
        else:
            codec = next((codec for codec in CODECS if text.startswith(codec)), None)
            if codec is None or at:
                raise KeyError(name)
            kbps = _digits(text.removeprefix(codec), name)
            variant = replace(variant, codec=cast(CodecName, codec), kbps=kbps)
    return variant


def _digits(text: str, name: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 4):
        raise KeyError(name)
    return int(text)


def with_converter(profile: str) -> str:
    """The id of a player with a converter behind it that has no headroom."""
    return replace(parse(profile), converter=True).id


def behind_converter(profile: Profile) -> Profile:
    """The same player with such a converter (instead of its own, if it has one)."""
    return msgspec.structs.replace(profile, id=with_converter(profile.id), converter_headroom_db=0.0)


def is_difference(name: str) -> bool:
    """True where no music is heard, only what changed."""
    return parse(name).part in ("difference", "versions")


def is_of_versions(name: str) -> bool:
    return parse(name).part == "versions"


def of_versions(name: str) -> str:
    """The id under which only what the versions differ by plays, with this player's gain."""
    playing = parse(name)
    return Variant(playing.profile, part="versions", scope=playing.scope).id


def versions_words(gain_db: float) -> str:
    """Why it plays at its gain."""
    return (
        "Only the residual of the versions (open minus loud, matched by one gain), at the open version's "
        f"gain of {signed(gain_db)} dB."
    )


def raised_db(name: str) -> float:
    """By how much the difference is raised."""
    return float(parse(name).raise_db)


def raise_db(asked_db: float, peak_dbtp: float | None) -> float:
    """How far a difference is raised, by its highest peak at the player's gain: as asked, but not so that a
    peak comes above HIGHEST_DBTP. Never negative: the player's own gain may bring it there."""
    return asked_db if peak_dbtp is None else max(min(asked_db, HIGHEST_DBTP - peak_dbtp), 0.0)


def raise_words(music_db: float, raised_db: float, asked_db: float) -> str:
    """Why a difference plays at its gain: the music's, and what was added."""
    said = f"Only the codec residual, at {signed(music_db + raised_db)} dB: the player's gain"
    if not asked_db:
        return f"{said} for the music."
    said += f" of {signed(music_db)} dB for the music"
    if raised_db > asked_db - SAID_DB:
        return f"{said}, raised by {asked_db:g} dB."
    if raised_db > SAID_DB:
        return (
            f"{said}, raised by {level(raised_db)} of {asked_db:g} dB: any further, the highest peak in the "
            "list would exceed −1 dBTP."
        )
    return (
        f"{said}, not raised by {asked_db:g} dB: the highest peak in the list is already at −1 dBTP or above."
    )


def decode_of(name: str) -> str:
    """The id under which the music itself plays that this difference belongs to."""
    variant = parse(name)
    return replace(variant, part="played", raise_db=0).id if is_difference(name) else name


def setting_of(name: str) -> str:
    """The codec that was put before the player, as its id says it (`+opus128`); empty where none was."""
    variant = parse(name)
    return Variant("", variant.codec, variant.kbps).id


def wanted(current: str, words: list[str], profiles: Mapping[str, Profile], last: str = "") -> str:
    """The id of the player that `codec WORDS` asks for, from the one that plays; `last` is the setting that
    was heard last. Raises UsageError."""
    playing = parse(current)
    base = playing.profile
    own = parse("" if _encodes(profiles[base]) else last)
    setting = playing if playing.codec is not None else own
    plain = Variant(base, scope=playing.scope)
    encoded = replace(plain, codec=setting.codec, kbps=setting.kbps)
    word = words[0].casefold()
    if word in ("off", "master") and len(words) == 1:
        return plain.id if not _encodes(profiles[base]) else replace(plain, part="master").id
    if word in CODEC_NAMES:
        return replace(plain, codec=cast(CodecName, word), kbps=_kbps(word, words[1:])).id
    if not _encodes(profile_named(profiles, encoded.id)):
        raise UsageError("No codec is set.", "Example: codec opus 128")
    if word in ("on", "decode") and len(words) == 1:
        return encoded.id
    if word in ("residual", "difference"):
        return replace(encoded, part="difference", raise_db=_raised(words[1:])).id
    raise UsageError(f"Unknown codec “{' '.join(words)}”.", f"Choose {_listed(list(CODEC_NAMES), 'or')}.")


def by_album_rule(current: str, scope: Scope, profiles: Mapping[str, Profile]) -> str:
    """The id of the player that plays, with this album rule. Raises UsageError for one without a target."""
    playing = parse(current)
    own = profiles[playing.profile]
    if own.target_lufs is None:
        raise UsageError("This player has no target loudness, so no album rule.", "Choose another: profile")
    return replace(playing, scope=None if own.scope == scope else scope).id


def profile_named(profiles: Mapping[str, Profile], name: str) -> Profile:
    """The player of this id, made from its base where the id goes on. Raises KeyError."""
    if name in profiles:
        return profiles[name]
    variant = parse(name)
    profile = profiles[variant.profile]
    if variant.scope is not None:
        profile = _by_rule(profile, variant.scope)
    if variant.codec is not None:
        profile = _encoded(profile, variant.codec, float(variant.kbps))
    if variant.part == "master":
        profile = _master_of(profile)
    if variant.part == "difference":
        profile = _difference_of(profile, float(variant.raise_db))
    if variant.part == "versions":
        profile = _residual_of(profile)
    if variant.converter:
        profile = behind_converter(profile)
    return msgspec.structs.replace(profile, id=name)


def words_of(delivery: Delivery) -> str:
    """`Opus at 128 kbit/s`."""
    return f"{CODEC_NAMES[delivery.codec]} at {delivery.bit_rate_kbps:g} kbit/s"


def _encodes(profile: Profile) -> bool:
    return profile.delivery is not None and profile.delivery.codec != "none"


def _by_rule(profile: Profile, scope: Scope) -> Profile:
    words, sentence = {
        "track": ("track by track", "Each track gets its own gain."),
        "album_loudest": ("albums by their loudest track", "One gain plays the whole album."),
        "album_programme": ("albums as one programme", "One gain plays the whole album."),
    }[scope]
    return msgspec.structs.replace(
        profile, scope=scope, title=f"{profile.title}, {words}", sentence=sentence, conditional=None
    )


def _master_of(profile: Profile) -> Profile:
    return msgspec.structs.replace(
        profile,
        delivery=None,
        title=f"{profile.title}, from the master",
        sentence="The master goes through the player without a codec.",
    )


def _encoded(profile: Profile, codec: CodecName, kbps: float) -> Profile:
    delivery = Delivery(codec=codec, bit_rate_kbps=kbps)
    return msgspec.structs.replace(
        profile,
        delivery=delivery,
        title=f"{profile.title}, after {words_of(delivery)}",
        sentence="The master is encoded and decoded before it reaches the player.",
    )


def _difference_of(profile: Profile, by_db: float) -> Profile:
    """What the encoding changed."""
    raised = f", raised by up to {by_db:g} dB with peaks held to −1 dBTP" if by_db else ""
    sentence = (
        f"Decode minus master, at the player's gain{raised}. The music masks most of it, so on its own it is "
        "not what a listener hears."
    )
    return _by_plain_gain(profile, "codec residual", sentence)


def _residual_of(profile: Profile) -> Profile:
    """What the versions differ by."""
    sentence = (
        "Open minus loud version, matched by one gain, at its own level within the open one. The music masks "
        "most of that."
    )
    return msgspec.structs.replace(
        _by_plain_gain(profile, "residual of the versions", sentence), delivery=None
    )


def _by_plain_gain(profile: Profile, what: str, sentence: str) -> Profile:
    return msgspec.structs.replace(
        profile,
        title=f"{profile.title}: {what}",
        sentence=sentence,
        upward="unprotected",
        limiter=None,
        converter_headroom_db=None,
    )


def _kbps(word: str, rest: list[str]) -> int:
    text = rest[0].casefold().removesuffix("kbit/s").removesuffix("k") if len(rest) == 1 else ""
    record = CODECS[word]
    most = record.most_kbps
    kbps = whole_number(text)
    if kbps is None or not LEAST_KBPS <= kbps <= most:
        asked = f"“{' '.join(rest)}”" if rest else "no bit rate"
        raise UsageError(
            f"{CODEC_NAMES[word]} needs {LEAST_KBPS:g} to {most:g} kbit/s, got {asked}.", f"codec {word} 128"
        )
    only = record.constant_kbps
    if only and kbps not in only:
        raise UsageError(
            f"{record.title} has no {kbps} kbit/s setting; available: {_listed(list(map(str, only)))}.",
            f"codec {word} 128",
        )
    return kbps


def _listed(words: Sequence[str], joined: str = "and") -> str:
    return f"{', '.join(words[:-1])} {joined} {words[-1]}"


def _raised(rest: list[str]) -> int:
    text = " ".join(rest).casefold().removesuffix("db").strip().removeprefix("+")
    if not text:
        return 0
    by = whole_number(text)
    if by is None or by > MOST_RAISED_DB:
        raise UsageError(
            f"The residual can be raised by 0 to {MOST_RAISED_DB} dB, in whole dB.", "codec residual 20"
        )
    return by
