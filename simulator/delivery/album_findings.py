"""Findings on an album: format, gaps, level relations, order.

The tracks come in their playing order. Findings are about one track each. Limits: common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from simulator.common.units import SILENCE_DB
from simulator.delivery.file_findings import END_DBFS, end_level_dbfs
from simulator.delivery.finding import Finding
from simulator.delivery.scan import Scan
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
    other = album_track.scan.sample_rate != rate
    return Finding(
        "album_rate", "Sample rate on the album", "fix" if other else "fine",
        float(album_track.scan.sample_rate), "Hz", float(rate), (),
        "Different from most tracks on the album." if other else "",
        "Deliver all tracks of an album at one rate." if other else "",
    )  # fmt: skip


def _bits(one: AlbumTrack, bits: int | None) -> Finding:
    other = one.bits != bits
    return Finding(
        "album_bits", "Bit depth on the album", "look" if other else "fine",
        None if one.bits is None else float(one.bits), "bits", None if bits is None else float(bits), (),
        "Different from most tracks on the album." if other else "",
        "Deliver all tracks of an album at one bit depth." if other else "",
    )  # fmt: skip


def _level(album_track: AlbumTrack, middle: float | None) -> Finding:
    own = album_track.measurement.integrated_lufs
    if own is None or middle is None:
        return Finding("album_level", "Level on the album", "fine", None, "LU", 0.0)
    away = own - middle
    if away < -FAR_LU:  # a quiet song is fine
        return Finding("album_level", "Level on the album", "fine", away, "LU", 0.0, (),
                       "Below the album's median track.")  # fmt: skip
    far = away > FAR_LU
    return Finding(
        "album_level", "Level on the album", "look" if far else "fine", away, "LU", 0.0, (),
        "Above the album's median track." if far else "",
        "Listen to the changes from the track before and to the next." if far else "",
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
