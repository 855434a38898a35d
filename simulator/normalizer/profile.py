"""Profile of a loudness-normalising player: its TOML format, and its rules as values. Without numpy.

`format = 1`, a title, a sentence for the client, and the tables [loudness], [gain], [ceiling], [conditional],
[limiter], [encoding], [dac] and [sources]. Each number needs a source: a document and section, "common
practice, no source", or "project choice". Levels are in dB or LUFS as the names say; largest boost and cut
are magnitudes. `target_lufs = "none"` changes nothing. A limiter holds the ceiling of [ceiling] and its kind
of peak. Ranges are the project's own bounds, wide enough for any player.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from simulator.common.errors import ProfileError
from simulator.common.toml_tables import nearest, read_toml
from simulator.dsp.ceiling import LimiterSettings, PeakKind
from simulator.normalizer.codec_records import CODECS, CodecName

Scope = Literal["track", "album_loudest", "album_programme"]
Upward = Literal["never", "headroom", "limited", "unprotected"]
Applies = Literal["boost_only", "always"]
MonoCounting = Literal["one_channel", "two_loudspeakers"]
TrustedTags = Literal["ignored", "replaygain", "r128", "any"]
"""Loudness tags that a player trusts instead of measuring."""
Codec = Literal["none", CodecName]
FullScale = Literal["before_gain", "after_gain", "none"]

TargetLufs = Annotated[float, Meta(ge=-60, le=0)]
CeilingDb = Annotated[float, Meta(ge=-40, le=6)]
LargestDb = Annotated[float, Meta(ge=0, le=60)]
Sentence = Annotated[str, Meta(min_length=1, max_length=300)]

DEFAULT_SOURCES = {
    "loudness.uncertainty_db": "common practice, no source (the default of this program)",
    "gain.unmeasurable_gain_db": "project choice (the default: an unmeasurable track is left unchanged)",
    "ceiling.level_db": "full scale by definition; it limits nothing, as no [ceiling] is given",
}
"""Sources of the numbers that a profile leaves to their defaults."""


class Ceiling(Struct, frozen=True, forbid_unknown_fields=True):
    """The highest level of peaks; "true" counts dBTP, "sample" dBFS. "boost_only": applies only where the
    player raises the level; "always": a peak above it also turns the level down."""

    level_db: CeilingDb
    counts: PeakKind
    applies: Applies


class Conditional(Struct, frozen=True, forbid_unknown_fields=True):
    """Another target for tracks whose peak-to-loudness ratio (true peak minus integrated loudness)
    is below a limit."""

    peak_to_loudness_below_db: Annotated[float, Meta(ge=0, le=60)]
    target_lufs: TargetLufs


class LoudnessTable(Struct, frozen=True, forbid_unknown_fields=True):
    target_lufs: TargetLufs | Literal["none"]
    scope: Scope = "track"
    mono: MonoCounting = "one_channel"
    tags: TrustedTags = "ignored"
    uncertainty_db: Annotated[float, Meta(ge=0, le=6)] | None = None


class GainTable(Struct, frozen=True, forbid_unknown_fields=True):
    upward: Upward
    max_boost_db: LargestDb | None = None
    max_cut_db: LargestDb | None = None
    unmeasurable_gain_db: Annotated[float, Meta(ge=-60, le=20)] | None = None


class LimiterTable(Struct, frozen=True, forbid_unknown_fields=True):
    look_ahead_ms: Annotated[float, Meta(ge=0.1, le=50)]
    release_ms: Annotated[float, Meta(ge=1, le=5000)]


class DacTable(Struct, frozen=True, forbid_unknown_fields=True):
    """The D/A converter that plays the result clips inter-sample peaks this far above full scale."""

    headroom_db: Annotated[float, Meta(ge=0, le=12)]


class Delivery(Struct, frozen=True, forbid_unknown_fields=True):
    """The master's way to the player: conversion of rate and word length (with dither), a lossy codec, and
    clipping of the decoder's output at full scale: before the player's gain (an integer decoder), after it (a
    floating-point one), or nowhere. None keeps the master's rate or word length."""

    codec: Codec = "none"
    bit_rate_kbps: Annotated[float, Meta(ge=32, le=512)] | None = None
    sample_rate: Literal[44100, 48000] | None = None
    bits: Literal[16, 24] | None = None
    full_scale: FullScale = "none"


class ProfileFile(Struct, frozen=True, forbid_unknown_fields=True):
    format: int
    title: Annotated[str, Meta(min_length=1, max_length=80)]
    sentence: Sentence
    loudness: LoudnessTable
    gain: GainTable
    sources: dict[str, Any]
    ceiling: Ceiling | None = None
    conditional: Conditional | None = None
    limiter: LimiterTable | None = None
    encoding: Delivery | None = None
    dac: DacTable | None = None


TABLES: dict[str, type[Struct]] = {
    "loudness": LoudnessTable,
    "gain": GainTable,
    "ceiling": Ceiling,
    "conditional": Conditional,
    "limiter": LimiterTable,
    "encoding": Delivery,
    "dac": DacTable,
}
FORMER_TABLES = {"delivery": "encoding", "converter": "dac"}
"""Their former names, which are still read."""
PROFILE_KEYS = tuple(f"{table}.{key}" for table, shape in TABLES.items() for key in shape.__struct_fields__)
"""Every key of the tables of a profile, as `table.key`."""


def check_sense(read: ProfileFile, where: str) -> None:
    """Refuse combinations that contradict each other. A [ceiling] or [limiter] that the upward rule does not
    use may stay, so that a copy can be switched from one rule to another."""
    upward, ceiling = read.gain.upward, read.ceiling
    needs_ceiling = upward in ("headroom", "limited")
    always = ceiling is not None and ceiling.applies == "always"
    no_target = read.loudness.target_lufs == "none"
    album = read.loudness.scope != "track"
    raising = no_target and (upward != "never" or always or read.gain.unmeasurable_gain_db)
    rules = (
        (needs_ceiling and ceiling is None, f'gain.upward is "{upward}", but there is no [ceiling].',
         "Add [ceiling] with level_db, counts and applies."),
        (upward == "limited" and read.limiter is None, 'gain.upward is "limited", but there is no [limiter].',
         "Add [limiter] with look_ahead_ms and release_ms."),
        (upward == "unprotected" and always,
         'gain.upward is "unprotected", but ceiling.applies = "always" protects peaks.',
         'Write applies = "boost_only", or upward = "headroom".'),
        (raising, 'loudness.target_lufs is "none", but other keys change the level.',
         'Write upward = "never", and remove [ceiling] and unmeasurable_gain_db.'),
        (no_target and album, 'loudness.target_lufs is "none", but loudness.scope is an album.',
         'Write scope = "track".'),
        (no_target and read.conditional is not None,
         'loudness.target_lufs is "none", but [conditional] sets another target.', "Remove one of the two."),
        (album and read.conditional is not None,
         f'[conditional] sets a target per track, but loudness.scope is "{read.loudness.scope}".',
         'Remove [conditional], or write scope = "track".'),
        (no_target and read.loudness.tags != "ignored",
         'loudness.target_lufs is "none", but loudness.tags sets the level by tags.',
         'Write tags = "ignored", or give a target.'),
        *_encoding_rules(read.encoding),
    )  # fmt: skip
    for broken, says, cure in rules:
        if broken:
            raise ProfileError(f"{where}: {says}", cure)


def _encoding_rules(delivery: Delivery | None) -> tuple[tuple[bool, str, str], ...]:
    """Combinations that an [encoding] table may not have: (broken, message, cure)."""
    if delivery is None:
        return ()
    codec, kbps, rate = delivery.codec, delivery.bit_rate_kbps, delivery.sample_rate
    lossy = codec != "none"
    record = CODECS.get(codec)
    name, most = (record.title, record.most_kbps) if record else (codec, 512.0)
    only = record.constant_kbps if record else ()
    rates = record.sample_rates if record else ()
    return (
        (lossy and kbps is None, f'encoding.codec is "{codec}", but no bit rate is given.',
         "Add bit_rate_kbps under [encoding]."),
        (not lossy and kbps is not None, 'encoding.codec is "none", but a bit rate is given.',
         "Remove bit_rate_kbps, or set the codec."),
        (kbps is not None and kbps > most,
         f"encoding.bit_rate_kbps is {kbps or 0.0:g}, but {name} goes up to {most:g}.",
         f"Write {most:g} or less."),
        (bool(only) and kbps is not None and kbps <= most and kbps not in only,
         f"encoding.bit_rate_kbps is {kbps or 0.0:g}, which {name} does not offer.",
         f"Write one of {', '.join(map(str, only))}."),
        (bool(rates) and rate is not None and rate not in rates,
         f'encoding.codec is "{codec}", which does not support {rate} Hz.',
         "Write sample_rate = 48000, or leave it out."),
    )  # fmt: skip


def sources_of(read: ProfileFile, where: str) -> dict[str, str]:
    """The source of each number in the file, and of the defaults."""
    values = {
        key: getattr(getattr(read, key.partition(".")[0]), key.partition(".")[2], None)
        for key in PROFILE_KEYS
    }
    given = dict(_flat(read.sources, "", where))
    for key in given:
        if key not in values:
            suggestion = nearest(key, list(PROFILE_KEYS))
            cure = f"Did you mean `{suggestion}`?" if suggestion else "Remove that line."
            raise ProfileError(f"{where}: [sources] lists `{key[:80]}`, which is not a key.", cure)
        if values[key] is None:
            raise ProfileError(
                f"{where}: [sources] lists {key}, which the file does not set.",
                "Remove that line from [sources], or set the number.",
            )
    for key, value in values.items():
        if isinstance(value, float | int) and key not in given:
            raise ProfileError(
                f"{where}: {key} is {value:g}, but [sources] gives no source for it.",
                f'Add `{key} = "..."` under [sources]: a document with its section, '
                '"common practice, no source", or "project choice".',
            )
    return given | {key: words for key, words in DEFAULT_SOURCES.items() if values[key] is None}


def _flat(sources: dict[str, Any], prefix: str, where: str) -> Iterator[tuple[str, str]]:
    """`table.key` and words, whether written as a dotted key, in quotes or as a table."""
    for key, words in sources.items():
        if isinstance(words, dict):
            yield from _flat(words, f"{prefix}{key}.", where)
        elif isinstance(words, str) and words.strip() and words.isprintable():
            table, dot, rest = (prefix + key).partition(".")
            yield FORMER_TABLES.get(table, table) + dot + rest, words
        else:
            raise ProfileError(
                f"{where}: sources.{prefix}{key} must be one line of text, got {words!r}.",
                "Write where the number comes from, in quotes.",
            )


DEFAULT_UNCERTAINTY_DB = 0.5


class Profile(Struct, frozen=True):
    """One player. `target_lufs` is None for a player that does not normalise. `sources` maps the key of each
    number to its source. `limiter` is set exactly where `upward` is "limited"; `converter_headroom_db` where
    a clipping D/A converter is simulated; `delivery` where the master is converted or encoded on its way;
    `tags` are the trusted loudness tags; a "boost_only" ceiling counts only where `upward` is "headroom" or
    "limited"."""

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
    tags: TrustedTags = "ignored"


def check_profile_id(profile_id: str, where: str) -> None:
    """Raise ProfileError unless the id (the file's stem) is of lower-case letters, digits and hyphens."""
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", profile_id):
        raise ProfileError(
            f'{where}: a profile name uses only lower-case letters, digits and hyphens, got "{profile_id}".',
            "Rename the file, for example late-night.toml.",
        )


def parse_profile(text: str, profile_id: str, where: str) -> Profile:
    """The profile of a TOML text. `where` names the file in messages. Raises ProfileError with file, key,
    value and cure for anything invalid or contradictory."""
    check_profile_id(profile_id, where)
    read = read_toml(text, ProfileFile, where, ProfileError, FORMER_TABLES)
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
        converter_headroom_db=None if read.dac is None else read.dac.headroom_db,
        delivery=read.encoding,
        tags=read.loudness.tags,
    )
