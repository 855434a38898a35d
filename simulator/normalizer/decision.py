"""Decision of a player: the gain of each track or album, and the reason in words.

What the player counts: integrated loudness (ITU-R BS.1770-5; None where nothing passes its gates) and the
peak of the kind its ceiling counts. Mono counted as two loudspeakers reads 10·log10(2) dB more (BS.1770-5
Annex 1, formula 2). An album counts as its loudest track (AES TD1008's sense) or as one gated programme over
the blocks of all its tracks (ReplayGain's sense); all its tracks get one gain.

Reasons round to 0.1; a gain that rounds to 0.0 dB leaves the level unchanged, and two numbers that would
print alike are "just" over or under each other, or get a second decimal. Gains are in dB, positive raises;
largest boost and cut are magnitudes and bound the wanted gain before the peak counts, so a ceiling that
always applies may cut by more than the largest cut. Source: the four policies of published players (attenuate
only; up to the headroom: ReplayGain's clipping prevention; boosted and limited: EBU R 128 s2; boosted
unprotected), all as secondary sources state them.

A player that trusts loudness tags takes their loudness for the measured one, and their peak where there is
one; in album scope the album gain, else the track gain (documentation of an open implementation, secondary).
A track without a valid tag is measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from simulator.common.text import capital, level, printed_gap, true_minus
from simulator.metering import gating
from simulator.metering.loudness_tags import LoudnessTags, TagScheme
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile, TrustedTags
from simulator.playlists.playlist import Track

UNMEASURABLE_CODES = ("silent", "too_short", "all_gated")
"""Codes of the measurement's warnings that say why there is no integrated loudness."""
GainFrom = Literal["measurement", "track_tag", "album_tag"]
"""Source of the loudness: measured, or stated by a tag in the file."""
_STATED: dict[GainFrom, str] = {
    "track_tag": "The file's track gain tag states",
    "album_tag": "The file's album gain tag states",
}
_TRUSTED: dict[TagScheme, TrustedTags] = {TagScheme.REPLAYGAIN: "replaygain", TagScheme.R128: "r128"}
TAG_TOLERANCE_DB = 0.5
"""A larger difference of tag and measurement is reported (project choice: twice the ±0.2 LU that EBU R 128
allows a measurement, and a tenth)."""
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
"""What kept the player from the gain it wanted. "headroom" is a raise cut short by the ceiling, "ceiling" a
track turned down because of its peak; with "unmeasurable" and "no_target" no gain was wanted at all."""
SAME_DB = 1e-9
"""Differences smaller than this are rounding: they count as no limit."""
TWO_LOUDSPEAKERS_DB = 10.0 * math.log10(2.0)


@dataclass(frozen=True, slots=True)
class Decision:
    """What a player does to one track. `wanted_gain_db` is target minus counted loudness (None where there is
    no target or nothing measurable), `gain_db` the gain applied. `counted_lufs` is the loudness the gain was
    decided from, in album scope the album's. `limiter_will_act`: this track's own highest peak exceeds the
    limiter's ceiling."""

    wanted_gain_db: float | None
    gain_db: float
    limited_by: LimitedBy
    reason: str
    target_lufs: float | None
    counted_lufs: float | None
    limiter_in_path: bool
    limiter_will_act: bool
    gain_from: GainFrom = "measurement"


def decide(profile: Profile, measurement: Measurement, tags: LoudnessTags | None = None) -> Decision:
    """The decision for a single track (for a profile that counts albums: an album of one). `tags` are the
    loudness tags of its file."""
    counted, peak_db = counted_track(profile, measurement), measurement.peak_db(profile.ceiling.counts)
    by_tag = counted_by_tag(profile, measurement, tags)
    if by_tag is not None:
        return _decided(profile, by_tag[0], None, peak_db, by_tag[1], measurement.integrated_lufs)
    decision = _decided(profile, counted, None, peak_db)
    if decision.limited_by == "unmeasurable":
        why = [warning.text for warning in measurement.warnings if warning.code in UNMEASURABLE_CODES]
        decision = replace(decision, reason=" ".join([decision.reason, *why]))
    if decision.counted_lufs is not None and counts_twice(profile, measurement):
        note = " This mono track counts as if played on two loudspeakers, 3.0 LU louder."
        decision = replace(decision, reason=decision.reason + note)
    return decision


def decide_all(
    profile: Profile,
    tracks: Sequence[tuple[Track, Measurement | None]],
    album_reason: str = "",
    tags: Sequence[LoudnessTags | None] = (),
) -> list[Decision | None]:
    """A decision for each track, in order; None for one that could not be read (its measurement is None).
    Each version of a song is counted in an album of its own, with the first version of every other song.
    `album_reason` (the playlist's) ends the reason where albums matter; `tags` are the loudness tags of each
    track's file (empty: none has any)."""
    stated = tags or [None] * len(tracks)
    if profile.target_lufs is None or profile.scope == "track":
        return [
            None if measurement is None else decide(profile, measurement, own)
            for (_, measurement), own in zip(tracks, stated, strict=True)
        ]
    counted: dict[tuple[int, ...], Counted] = {}
    decisions: list[Decision | None] = []
    for index, (track, measurement) in enumerate(tracks):
        if measurement is None:
            decisions.append(None)
            continue
        if track.album is None or counted_by_tag(profile, measurement, stated[index]) is not None:
            decision = decide(profile, measurement, stated[index])
        else:
            members = album_members(tracks, index)
            if members not in counted:
                counted[members] = counted_album(
                    profile, [found for member in members if (found := tracks[member][1]) is not None]
                )
            decision = _decided(
                profile, counted[members], track.album, measurement.peak_db(profile.ceiling.counts)
            )
            decision = replace(decision, reason=decision.reason + _notes(tracks, index))
        decisions.append(replace(decision, reason=f"{decision.reason} {album_reason}".rstrip()))
    return decisions


def _decided(
    profile: Profile,
    counted: Counted,
    album: str | None,
    own_peak_db: float | None,
    gain_from: GainFrom = "measurement",
    measured_lufs: float | None = None,
) -> Decision:
    """The decision from what is counted. `album` is the album's name where one gain plays all of it,
    `own_peak_db` the peak of the track itself, `measured_lufs` its loudness where a tag's counts."""
    target, condition = _target_lufs(profile, counted)
    wanted = None if target is None or counted.lufs is None else target - counted.lufs
    limited_by: LimitedBy
    if target is None:
        gain, limited_by = 0.0, "no_target"
    elif wanted is None:
        gain = applied_gain_db(profile, profile.unmeasurable_gain_db, counted.peak_db)[0]
        limited_by = "unmeasurable"
    else:
        gain, limited_by = applied_gain_db(profile, wanted, counted.peak_db)
    decision = Decision(
        wanted_gain_db=wanted,
        gain_db=gain,
        limited_by=limited_by,
        reason="",
        target_lufs=target,
        counted_lufs=counted.lufs if target is not None else None,
        limiter_in_path=limiter_in_path(profile, gain),
        limiter_will_act=limiter_will_act(profile, gain, own_peak_db),
        gain_from=gain_from,
    )
    reason = condition + _reason(profile, counted, album, decision)
    if gain_from == "track_tag" and measured_lufs is not None and counted.lufs is not None:
        off = printed_gap(measured_lufs, counted.lufs)
        if off is not None and abs(off) > TAG_TOLERANCE_DB:
            side = "louder" if off > 0.0 else "quieter"
            reason += f" The file measures {level(measured_lufs)} LUFS, {level(abs(off))} LU {side}."
    return replace(decision, reason=reason)


def _target_lufs(profile: Profile, counted: Counted) -> tuple[float | None, str]:
    """The target, and the sentence on it where it depends on the peak-to-loudness ratio."""
    condition, ratio = profile.conditional, counted.peak_to_loudness_db
    if condition is None or ratio is None or profile.target_lufs is None:
        return profile.target_lufs, ""
    limit = condition.peak_to_loudness_below_db
    under = ratio < limit
    target = condition.target_lufs if under else profile.target_lufs
    side = "under" if under else "over"
    if level(ratio) == level(limit):
        side = "just under" if under else "at"
    return target, (
        f"Its peak-to-loudness ratio of {level(ratio)} dB is {side} this player's limit of "
        f"{level(limit)} dB, so the target is {level(target)} LUFS. "
    )


def _notes(tracks: Sequence[tuple[Track, Measurement | None]], index: int) -> str:
    """Notes on the decision for a track of an album."""
    track, measurement = tracks[index]
    mates = [(other, measured) for other, measured in tracks if other.album == track.album]
    notes = ""
    if track.song is not None and sum(other.song == track.song for other, _ in mates) > 1:
        notes += " The album is measured with this version of the song."
    if measurement is not None and measurement.integrated_lufs is None:
        notes += " This track has no measurable loudness of its own and gets the album's gain."
    unread = sum(measured is None for _, measured in mates)
    if unread:
        notes += f" {unread} of its tracks could not be read and {'is' if unread == 1 else 'are'} left out."
    return notes


def _reason(profile: Profile, counted: Counted, album: str | None, decision: Decision) -> str:
    """The sentences for one gain."""
    target_lufs, wanted_db, gain_db = decision.target_lufs, decision.wanted_gain_db, decision.gain_db
    if target_lufs is None:
        return "This player has no target loudness and leaves the level unchanged."
    it, its_peak = ("it", "its") if album is None else ("the whole album", "the album's highest")
    if level(gain_db) == "0.0":
        does = f"leaves {it} unchanged"
    else:
        does = (
            f"raises {it} {level(gain_db)} dB" if gain_db > 0.0 else f"turns {it} down {level(-gain_db)} dB"
        )
    if wanted_db is None or counted.lufs is None:
        whose = "The track" if album is None else f"The album “{album}”"
        return f"{whose} has no measurable loudness, so the player {does}."
    measured = _STATED.get(decision.gain_from, "The track measures")
    if album is not None:
        whose = "loudest track of the album" if profile.scope == "album_loudest" else "album"
        measured = f"The {whose} “{album}” measures"
    loudness, distance = _distance(counted.lufs, wanted_db, target_lufs)
    programme = " as one programme" if album is not None and profile.scope == "album_programme" else ""
    unit = "dBTP" if profile.ceiling.counts == "true" else "dBFS"
    ceiling = f"the ceiling of {level(profile.ceiling.level_db)} {unit}"
    at = "" if counted.peak_db is None else f"{level(counted.peak_db)} {unit}"
    peak = f"{its_peak} {profile.ceiling.counts} peak of {at}"
    against, over = _against_ceiling(profile, counted, gain_db)
    only = does.replace(f"raises {it} ", f"raises {it} only ")
    limit = {
        "no_upward_gain": "; this player never raises tracks",
        "headroom": f"; {peak} {against} {ceiling}",
        "ceiling": f"; {peak} is {over} {ceiling}",
        "max_boost": f"; this player raises tracks by no more than {level(gain_db)} dB",
        "max_cut": f"; this player turns tracks down by no more than {level(-gain_db)} dB",
    }.get(decision.limited_by, "")
    so = f", so the player {only if decision.limited_by == 'headroom' else does}."
    sentence = f"{measured} {loudness} LUFS{programme}{distance}{limit}{so}"
    return sentence + _peak_sentence(profile, counted, gain_db, capital(peak), ceiling)


def _distance(lufs: float, wanted_gain_db: float, target_lufs: float) -> tuple[str, str]:
    """The counted loudness as written beside this target, and its distance from it."""
    loudness, target = level(lufs), level(target_lufs)
    if level(wanted_gain_db) == "0.0":
        distance = "on" if loudness == target else "less than 0.1 LU from"
    else:
        if loudness == target:
            loudness, target = (true_minus(f"{value:.2f}") for value in (lufs, target_lufs))
        distance = f"{level(abs(wanted_gain_db))} LU {'below' if wanted_gain_db > 0.0 else 'above'}"
    return loudness, f", {distance} the target of {target} LUFS"


def _against_ceiling(profile: Profile, counted: Counted, gain_db: float) -> tuple[str, str]:
    """A peak against the ceiling that cuts a raise short, or that turns the level down."""
    peak_db, ceiling_db = counted.peak_db, profile.ceiling.level_db
    unchanged, alike = level(gain_db) == "0.0", peak_db is not None and level(peak_db) == level(ceiling_db)
    over = "just over" if alike or unchanged else "over"
    if not unchanged or peak_db is None:
        return "would hit", over
    if alike:
        return "is already at", over
    return "is already above" if peak_db > ceiling_db else "is less than 0.1 dB below", over


def _peak_sentence(profile: Profile, counted: Counted, gain_db: float, peak: str, ceiling: str) -> str:
    """What becomes of peaks that the gain itself does not keep down."""
    if counted.peak_db is None:
        return ""
    reached_db = counted.peak_db + gain_db
    if limiter_will_act(profile, gain_db, counted.peak_db):
        exceed = "just exceed" if level(reached_db) == level(profile.ceiling.level_db) else "exceed"
        return f" {peak} would then {exceed} {ceiling}, so the limiter acts."
    if profile.upward == "unprotected" and gain_db > 0.0 and reached_db > 0.0 and level(reached_db) != "0.0":
        return f" {peak} then goes {level(reached_db)} dB over full scale, with no peak protection."
    return ""


def applied_gain_db(
    profile: Profile, wanted_gain_db: float, peak_db: float | None
) -> tuple[float, LimitedBy]:
    """The applied gain and what limited it. A `peak_db` of None (silence) reaches no ceiling."""
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
    """True where the signal passes the player's limiter: only where it is raised, unless the ceiling always
    applies."""
    return profile.limiter is not None and (profile.ceiling.applies == "always" or gain_db > 0.0)


def limiter_will_act(profile: Profile, gain_db: float, peak_db: float | None) -> bool:
    """True where the limiter is in the path and has something to reduce."""
    if profile.limiter is None or peak_db is None or not limiter_in_path(profile, gain_db):
        return False
    return peak_db + gain_db > profile.limiter.ceiling_db + SAME_DB


@dataclass(frozen=True, slots=True)
class Counted:
    """What a gain is decided from. `peak_to_loudness_db` is true peak minus the counted loudness."""

    lufs: float | None
    peak_db: float | None
    peak_to_loudness_db: float | None


def counts_twice(profile: Profile, measurement: Measurement) -> bool:
    """True for a mono track that the player counts as two loudspeakers."""
    return profile.mono == "two_loudspeakers" and measurement.channels == 1


def track_lufs(profile: Profile, measurement: Measurement) -> float | None:
    """The loudness that the player counts for one track."""
    integrated = measurement.integrated_lufs
    if integrated is None:
        return None
    return integrated + (TWO_LOUDSPEAKERS_DB if counts_twice(profile, measurement) else 0.0)


def counted_track(profile: Profile, measurement: Measurement) -> Counted:
    """What counts of a track with its own gain."""
    lufs, true_peak = track_lufs(profile, measurement), measurement.true_peak_dbtp
    ratio = None if lufs is None or true_peak is None else true_peak - lufs
    return Counted(lufs, measurement.peak_db(profile.ceiling.counts), ratio)


def counted_by_tag(
    profile: Profile, measurement: Measurement, tags: LoudnessTags | None
) -> tuple[Counted, GainFrom] | None:
    """What counts for a player that trusts the file's tags; None where it measures."""
    if tags is None or profile.tags not in ("any", _TRUSTED[tags.scheme]):
        return None
    album = profile.scope != "track" and tags.album_lufs is not None
    lufs, peak_db = tags.track_lufs, tags.track_peak_db
    if album:
        lufs = tags.album_lufs
        peak_db = peak_db if tags.album_peak_db is None else tags.album_peak_db
    if lufs is None:
        return None
    if peak_db is None:
        peak_db = measurement.peak_db(profile.ceiling.counts)
    ratio = None if peak_db is None else peak_db - lufs
    return Counted(lufs, peak_db, ratio), "album_tag" if album else "track_tag"


def counted_album(profile: Profile, members: Sequence[Measurement]) -> Counted:
    """What counts of an album: its loudness without unmeasurable tracks, and the highest peak of all tracks,
    as one gain plays them all."""
    measurable = [member for member in members if member.integrated_lufs is not None]
    lufs: float | None
    if profile.scope == "album_loudest":
        levels = [track_lufs(profile, member) for member in measurable]
        lufs = max((counted for counted in levels if counted is not None), default=None)
    else:
        lufs = gating.album_loudness_lufs(
            member.series.energy * (2.0 if counts_twice(profile, member) else 1.0) for member in measurable
        )
    peaks = [member.peak_db(profile.ceiling.counts) for member in members]
    return Counted(lufs, max((peak for peak in peaks if peak is not None), default=None), None)


def album_members(tracks: Sequence[tuple[Track, Measurement | None]], index: int) -> tuple[int, ...]:
    """The indices of the tracks in the album of track `index`: that track, and one version of every other
    song, the first one that could be measured (else read). Unreadable tracks are left out."""

    def song(number: int) -> str | int:
        """What versions share: the song's key, or the index of a track without one."""
        key = tracks[number][0].song
        return number if key is None else key

    chosen: dict[str | int, int] = {song(index): index}
    for number, (track, measurement) in enumerate(tracks):
        if track.album != tracks[index][0].album or measurement is None or song(number) == song(index):
            continue
        before = tracks[chosen.setdefault(song(number), number)][1]
        if before is not None and before.integrated_lufs is None is not measurement.integrated_lufs:
            chosen[song(number)] = number
    return tuple(sorted(chosen.values()))
