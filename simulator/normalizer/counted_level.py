"""Loudness and peak that a player counts for a track, or for an album.

Conventions: loudness in LUFS by ITU-R BS.1770-5, None where nothing passes its gates; peaks in dBTP
or dBFS, as the ceiling counts them. A mono file counted as two loudspeakers reads 10·log10(2) dB
more (the same sound in both channels, BS.1770-5 Annex 1, formula 2). An album counts either as loud
as its loudest track (AES TD1008's sense) or as one gated programme over the union of its tracks'
blocks (ReplayGain's sense); the order of the tracks does not matter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from simulator.metering import gating
from simulator.metering.measurement import Measurement
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Track

TWO_LOUDSPEAKERS_DB = 10.0 * math.log10(2.0)


@dataclass(frozen=True, slots=True)
class Counted:
    """What one gain is decided from. `peak_to_loudness_db` is true peak minus the counted loudness."""

    lufs: float | None
    peak_db: float | None
    peak_to_loudness_db: float | None


def counts_twice(profile: Profile, measurement: Measurement) -> bool:
    """True for one channel that the player counts on two loudspeakers."""
    return profile.mono == "two_loudspeakers" and measurement.channels == 1


def track_lufs(profile: Profile, measurement: Measurement) -> float | None:
    """The loudness that the player counts for one track."""
    integrated = measurement.integrated_lufs
    if integrated is None:
        return None
    return integrated + (TWO_LOUDSPEAKERS_DB if counts_twice(profile, measurement) else 0.0)


def counted_track(profile: Profile, measurement: Measurement) -> Counted:
    """What is counted of a track that gets its own gain."""
    lufs, true_peak = track_lufs(profile, measurement), measurement.true_peak_dbtp
    ratio = None if lufs is None or true_peak is None else true_peak - lufs
    return Counted(lufs, measurement.peak_db(profile.ceiling.counts), ratio)


def counted_album(profile: Profile, members: Sequence[Measurement]) -> Counted:
    """What is counted of an album: unmeasurable tracks are left out of its loudness, and the highest
    peak of all its tracks is the album's, as one gain plays them all."""
    measurable = [one for one in members if one.integrated_lufs is not None]
    lufs: float | None
    if profile.scope == "album_loudest":
        levels = [track_lufs(profile, one) for one in measurable]
        lufs = max((level for level in levels if level is not None), default=None)
    else:
        lufs = gating.album_loudness_lufs(
            one.series.energy * 2.0 if counts_twice(profile, one) else one.series.energy for one in measurable
        )
    peaks = [one.peak_db(profile.ceiling.counts) for one in members]
    return Counted(lufs, max((peak for peak in peaks if peak is not None), default=None), None)


def album_members(tracks: Sequence[tuple[Track, Measurement | None]], index: int) -> tuple[int, ...]:
    """The places of the tracks that make up the album which track `index` plays in: the track itself
    and one version of every other song, the first in the list that could be measured (or else read).
    Tracks that could not be read are no part of it."""
    album = tracks[index][0].album
    own = _song(tracks, index)
    chosen: dict[str | int, int] = {own: index}
    for place, (track, measurement) in enumerate(tracks):
        song = _song(tracks, place)
        if track.album != album or measurement is None or song == own:
            continue
        standing = chosen.get(song)
        if standing is None:
            chosen[song] = place
        else:
            before = tracks[standing][1]
            if before is not None and before.integrated_lufs is None is not measurement.integrated_lufs:
                chosen[song] = place
    return tuple(sorted(chosen.values()))


def _song(tracks: Sequence[tuple[Track, Measurement | None]], index: int) -> str | int:
    """What versions share: the song's key, or the place of a track that has none."""
    song = tracks[index][0].song
    return index if song is None else song
