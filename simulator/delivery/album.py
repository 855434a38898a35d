"""Album: findings on format, gaps, levels and order; the gaps; and trims that relate the songs' levels.

The tracks come in their playing order, and each finding is about one track. A trim is plain gain for one
song: the trims bring the songs into a relation, as loud as it gets with no true peak raised above −1 dBTP and
no song above the loudest one. A gap stays below −80 dBFS in true peak from one song to the next, in steps of
100 ms. Limits: common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np

from simulator.common.units import SILENCE_DB
from simulator.delivery.file_findings import END_DBFS, end_level_dbfs
from simulator.delivery.finding import Finding, found_if
from simulator.delivery.level_findings import CUSTOMARY_CEILING_DBTP
from simulator.delivery.scan import SILENT, Scan
from simulator.metering import gating
from simulator.metering.measurement import Measurement

LONGEST_GAP_S = 5.0
FAR_LU = 4.0


@dataclass(frozen=True, slots=True)
class AlbumTrack:
    """One track of an album; `bits` is None for floating point or lossy, `order` the number that the
    playlist gives it."""

    title: str
    measurement: Measurement
    scan: Scan
    bits: int | None
    order: int | None


@dataclass(frozen=True, slots=True)
class AlbumLevel:
    """An album as one programme, and its loudest track."""

    name: str
    programme_lufs: float | None
    loudest: str
    loudest_lufs: float | None


def album_level(name: str, members: Sequence[tuple[str, Measurement]]) -> AlbumLevel:
    """Titles and measurements as one programme (one gate over all their blocks), and the loudest of them."""
    programme = gating.album_loudness_lufs(found.series.energy for _, found in members)
    title, loudest = max(members, key=lambda one: one[1].integrated_lufs or SILENCE_DB)
    return AlbumLevel(name, programme, title, loudest.integrated_lufs)


def runs_on(scan: Scan) -> bool:
    """True where audio is still running at the end."""
    level = end_level_dbfs(scan)
    return level is not None and level > END_DBFS


def album_findings(tracks: Sequence[AlbumTrack]) -> list[list[Finding]]:
    """For each track its findings within the album; nothing for an album of one."""
    if len(tracks) < 2:
        return [[] for _ in tracks]
    rate = Counter(track.scan.sample_rate for track in tracks).most_common(1)[0][0]
    bits = Counter(track.bits for track in tracks).most_common(1)[0][0]
    levels = [level for track in tracks if (level := track.measurement.integrated_lufs) is not None]
    middle = median(levels) if levels else None
    found = []
    for index, one in enumerate(tracks):
        own = [_rate(one, rate), _bits(one, bits), _level(one, middle)]
        if index + 1 < len(tracks):
            own.append(_gap(one, tracks[index + 1]))
        if (order := _order(tracks, index)) is not None:
            own.append(order)
        found.append(own)
    return found


def _rate(album_track: AlbumTrack, rate: int) -> Finding:
    own = album_track.scan.sample_rate
    return found_if(
        own != rate, "album_rate", "Sample rate on the album", float(own), "Hz", float(rate), (),
        "Different from most tracks on the album.", "Deliver all tracks of an album at one rate.",
        level="fix",
    )  # fmt: skip


def _bits(album_track: AlbumTrack, bits: int | None) -> Finding:
    own, usual = (None if depth is None else float(depth) for depth in (album_track.bits, bits))
    return found_if(
        own != usual, "album_bits", "Bit depth on the album", own, "bits", usual, (),
        "Different from most tracks on the album.", "Deliver all tracks of an album at one bit depth.",
    )  # fmt: skip


def _level(album_track: AlbumTrack, middle: float | None) -> Finding:
    own, where = album_track.measurement.integrated_lufs, ("album_level", "Level on the album")
    if own is None or middle is None:
        return Finding(*where, "fine", None, "LU", 0.0)
    away = own - middle
    if away < -FAR_LU:  # a quiet song is fine
        return Finding(*where, "fine", away, "LU", 0.0, (), "Below the album's median track.")
    return found_if(
        away > FAR_LU, *where, away, "LU", 0.0, (), "Above the album's median track.",
        "Listen to the changes from the track before and to the next.",
    )  # fmt: skip


def _gap(album_track: AlbumTrack, following: AlbumTrack) -> Finding:
    seconds = album_track.scan.tail_s + following.scan.head_s
    long = seconds > LONGEST_GAP_S
    begins_loud = following.scan.head.shape[0] > 0 and following.scan.head_s <= 0.001
    text = "Runs into the next track." if runs_on(album_track.scan) and begins_loud else ""
    return Finding(
        "album_gap", "Gap before the next track", "look" if long else "fine", seconds, "s", LONGEST_GAP_S, (),
        "Longer than usual." if long else text,
        "Trim the tail of this track or the head of the next." if long else "",
    )  # fmt: skip


def _order(tracks: Sequence[AlbumTrack], index: int) -> Finding | None:
    """None where the playlist numbers nothing."""
    orders = [track.order for track in tracks]
    if all(order is None for order in orders):
        return None
    own, where = orders[index], ("album_order", "Track number")
    wanted = float(index + 1)
    if own is None:
        return Finding(*where, "look", None, "", wanted, (), "No number, though other tracks have one.",
                       "Give it its album_order.")  # fmt: skip
    if orders.count(own) > 1:
        return Finding(*where, "fix", float(own), "", wanted, (), f"Two tracks are numbered {own}.",
                       "Give each track its own album_order.")  # fmt: skip
    if own != index + 1:
        return Finding(*where, "look", float(own), "", wanted, (), f"It is track {index + 1} in this order.",
                       "Check the order, and that no track is missing.")  # fmt: skip
    return Finding(*where, "fine", float(own), "", wanted)


STEP_S = 0.1


@dataclass(frozen=True, slots=True)
class Relation:
    """What relates the songs: their integrated loudness, or their loudest 3 s; `offsets_lu` is where each
    belongs against the others (empty: all at one level)."""

    by_loudest: bool = False
    offsets_lu: tuple[float, ...] = ()


def gaps_s(songs: Sequence[Measurement]) -> list[float | None]:
    """Silence in s from each song's end to the sound of the next; None after the last, and beside silence."""
    edges = [_edges_s(song) for song in songs]
    found: list[float | None] = [
        None if before is None or after is None else before[1] + after[0] for before, after in pairwise(edges)
    ]
    return [*found, None] if songs else []


def _edges_s(song: Measurement) -> tuple[float, float] | None:
    """Silent seconds before and after the sound; None for silence."""
    sounding = np.flatnonzero(song.series.true_peak > SILENT)
    if not sounding.shape[0]:
        return None
    return int(sounding[0]) * STEP_S, max(song.duration_s - (int(sounding[-1]) + 1) * STEP_S, 0.0)


def trims_db(songs: Sequence[Measurement], relation: Relation) -> list[float | None]:
    """The trim of each song in dB; None for one that has no level to relate."""
    offsets = relation.offsets_lu or (0.0,) * len(songs)
    levels = [song.max_short_term_lufs if relation.by_loudest else song.integrated_lufs for song in songs]
    known = [level for level in levels if level is not None]
    bases = [
        level - offset + max(CUSTOMARY_CEILING_DBTP - (song.true_peak_dbtp or 0.0), 0.0)
        for song, level, offset in zip(songs, levels, offsets, strict=True)
        if level is not None
    ]
    if not bases:
        return [None] * len(songs)
    base = min(*bases, max(known) - max(offsets))
    return [
        None if level is None else base + offset - level
        for level, offset in zip(levels, offsets, strict=True)
    ]
