"""Decision: the gain that a player applies to each track, and why.

Pure: a profile and measurements in, decisions out. Gains in dB, positive raises. In the scope of a
track each track gets its own gain; in the scope of an album all its tracks get one. The rules are in
`gain_rule`, what is counted in `counting`, the words in `reason`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from simulator.metering.measurement import Measurement
from simulator.normalizer.counting import Counted, album_members, counted_album, counted_track, counts_twice
from simulator.normalizer.gain_policy import applied_gain_db, limiter_in_path, limiter_will_act
from simulator.normalizer.profile import Profile
from simulator.normalizer.reason import conditional_reason, gain_reason
from simulator.playlists.playlist import Track

UNMEASURABLE_CODES = ("silent", "too_short", "all_gated")
"""Codes of the measurement's warnings that say why there is no integrated loudness."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What a player does to one track. `wanted_gain_db` is target minus counted loudness (None where
    there is no target or nothing measurable), `gain_db` the gain applied. `counted_lufs` is the
    loudness that the gain was decided from: the album's, in the scope of an album. `limited_by` is
    "nothing", "no_upward_gain", "headroom" (a raise cut short by the ceiling), "ceiling" (turned down
    because of the peak), "max_boost", "max_cut", "unmeasurable" or "no_target". `limiter_will_act`
    says that the highest peak of this track itself passes the limiter's ceiling."""

    wanted_gain_db: float | None
    gain_db: float
    limited_by: str
    reason: str
    target_lufs: float | None
    counted_lufs: float | None
    limiter_in_path: bool
    limiter_will_act: bool


def decide(profile: Profile, measurement: Measurement) -> Decision:
    """The decision for a track on its own (for a profile that counts albums: as an album of one)."""
    counted = counted_track(profile, measurement)
    decision = _decided(profile, counted, None, counted.peak_db)
    if decision.limited_by == "unmeasurable":
        why = [warning.text for warning in measurement.warnings if warning.code in UNMEASURABLE_CODES]
        decision = replace(decision, reason=" ".join([decision.reason, *why]))
    if decision.counted_lufs is not None and counts_twice(profile, measurement):
        note = " Its one channel is counted as on two loudspeakers, 3.0 dB louder."
        decision = replace(decision, reason=decision.reason + note)
    return decision


def decide_all(
    profile: Profile, tracks: Sequence[tuple[Track, Measurement | None]], album_reason: str = ""
) -> list[Decision | None]:
    """A decision for each track, in order; None for a track that could not be read (its measurement
    is None). For versions of one song the album is counted once for each, with the first version of
    every other song. `album_reason` (the playlist's) ends the reason where albums matter."""
    if profile.target_lufs is None or profile.scope == "track":
        return [None if measurement is None else decide(profile, measurement) for _, measurement in tracks]
    counted: dict[tuple[int, ...], Counted] = {}
    decisions: list[Decision | None] = []
    for index, (track, measurement) in enumerate(tracks):
        if measurement is None:
            decisions.append(None)
            continue
        if track.album is None:
            decision = decide(profile, measurement)
        else:
            members = album_members(tracks, index)
            if members not in counted:
                counted[members] = counted_album(
                    profile, [found for place in members if (found := tracks[place][1]) is not None]
                )
            decision = _decided(
                profile, counted[members], track.album, measurement.peak_db(profile.ceiling.counts)
            )
            decision = replace(decision, reason=decision.reason + _notes(tracks, index))
        decisions.append(replace(decision, reason=f"{decision.reason} {album_reason}".rstrip()))
    return decisions


def _decided(profile: Profile, counted: Counted, album: str | None, own_peak_db: float | None) -> Decision:
    """The decision from what is counted; `own_peak_db` is the peak of the track itself."""
    target = _target_lufs(profile, counted)
    wanted = None if target is None or counted.lufs is None else target - counted.lufs
    if target is None:
        gain, limited_by = 0.0, "no_target"
    elif wanted is None:
        gain, limited_by = (
            applied_gain_db(profile, profile.unmeasurable_gain_db, counted.peak_db)[0],
            "unmeasurable",
        )
    else:
        gain, limited_by = applied_gain_db(profile, wanted, counted.peak_db)
    acts = limiter_will_act(profile, gain, own_peak_db)
    album_acts = limiter_will_act(profile, gain, counted.peak_db)
    reason = gain_reason(profile, counted, album, target, wanted, gain, limited_by, album_acts)
    return Decision(
        wanted_gain_db=wanted,
        gain_db=gain,
        limited_by=limited_by,
        reason=conditional_reason(profile, counted) + reason,
        target_lufs=target,
        counted_lufs=counted.lufs if target is not None else None,
        limiter_in_path=limiter_in_path(profile, gain),
        limiter_will_act=acts,
    )


def _target_lufs(profile: Profile, counted: Counted) -> float | None:
    """The target, which may depend on the peak-to-loudness ratio."""
    condition, ratio = profile.conditional, counted.peak_to_loudness_db
    if condition is not None and ratio is not None and ratio < condition.peak_to_loudness_below_db:
        return condition.target_lufs
    return profile.target_lufs


def _notes(tracks: Sequence[tuple[Track, Measurement | None]], index: int) -> str:
    """What else the reader of an album's decision should know."""
    track, measurement = tracks[index]
    mates = [(other, found) for other, found in tracks if other.album == track.album]
    notes = ""
    if track.song is not None and sum(other.song == track.song for other, _ in mates) > 1:
        notes += " The album is counted with this version of the song."
    if measurement is not None and measurement.integrated_lufs is None:
        notes += " This track itself has no measurable loudness and takes the album's gain."
    unread = sum(found is None for _, found in mates)
    if unread:
        notes += f" {unread} of its tracks could not be read and {'is' if unread == 1 else 'are'} left out."
    return notes
