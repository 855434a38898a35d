"""Pair of versions side by side: which two, and what stands in their columns."""

from __future__ import annotations

from collections.abc import Sequence

from simulator.common.numbers import level, printed_gap, signed
from simulator.comparison.versions import played_punch_db
from simulator.metering.figures import figure
from simulator.metering.measurement import Measurement
from simulator.playlists.playlist import Track
from simulator.text.comparison.table import CAPPED, GAIN
from simulator.text.sentences import Version
from simulator.text.tables import shortened

LONGEST_NAME = 34


def choose_pair(tracks: Sequence[tuple[Track, Measurement | None]]) -> tuple[int, int] | None:
    """The loudest and the least loud measurable version of the first song with two of them, in the
    playlist's order; the two tracks of a list of two; None where nothing suggests itself."""
    good = [
        i for i, (_, found) in enumerate(tracks) if found is not None and found.integrated_lufs is not None
    ]
    songs: dict[str, list[int]] = {}
    for index in good:
        song = tracks[index][0].song
        if song is not None:
            songs.setdefault(song, []).append(index)
    group = next((members for members in songs.values() if len(members) > 1), [])
    if not group and len(good) == 2:
        group = good
    if not group:
        return None

    def loudness(index: int) -> float:
        found = tracks[index][1]
        return 0.0 if found is None or found.integrated_lufs is None else found.integrated_lufs

    first, second = sorted((max(group, key=loudness), min(group, key=loudness)))
    return None if first == second else (first, second)


MOST_VERSIONS = 6


def choose_versions(tracks: Sequence[tuple[Track, Measurement | None]]) -> tuple[int, ...]:
    """The places of the measurable versions, at most MOST_VERSIONS, of the first song that has two; empty
    where none has."""
    songs: dict[str, list[int]] = {}
    for place, (track, found) in enumerate(tracks):
        if track.song is not None and found is not None and found.integrated_lufs is not None:
            songs.setdefault(track.song, []).append(place)
    return next((tuple(places[:MOST_VERSIONS]) for places in songs.values() if len(places) > 1), ())


def short_names(first: Track, second: Track) -> tuple[str, str]:
    """What to call the two: what differs in their titles ("open master", "crushed master"), else the
    titles, else with their places."""
    a, b = _ending(first.title), _ending(second.title)
    if a and b and a != b:
        return f"the {a}", f"the {b}"
    names = tuple(shortened(track.title, LONGEST_NAME) for track in (first, second))
    if names[0] == names[1]:
        return f"{names[0]} (first)", f"{names[1]} (second)"
    return f"“{names[0]}”", f"“{names[1]}”"


def pair_rows(first: Version, second: Version) -> list[tuple[str, str, str, str, str]]:
    """Lines of the side-by-side: what, unit, first, second, and by how much the second has more."""
    both = (first, second)
    plays = [version.prediction.played for version in both]
    gains = [version.prediction.decision.gain_db for version in both]
    lines: list[tuple[str, str, list[float | None]]] = [
        ("As delivered", "LUFS", [version.delivered.integrated_lufs for version in both]),
        (GAIN, "dB", list(gains)),
        ("Level as played", "LUFS", [played.integrated_lufs for played in plays]),
        ("Loudest 3 s, as played", "LUFS", [played.max_short_term_lufs for played in plays]),
        ("Below full scale", "dB", [version.prediction.unused_headroom_db for version in both]),
        (figure("peak_to_loudness_db").beside, "dB", [played.peak_to_loudness_db for played in plays]),
    ]
    punches = [played_punch_db(played, gain_db) for played, gain_db in zip(plays, gains, strict=True)]
    if any(level(punch) != level(own.peak_to_loudness_db) for punch, own in zip(punches, plays, strict=True)):
        lines.append((CAPPED, "dB", list(punches)))
    median = figure("median_peak_to_short_term_db")
    lines.append((median.beside, median.unit, [median.value(played) for played in plays]))
    return [_line(name, unit, *values) for name, unit, values in lines]


def _line(name: str, unit: str, a: float | None, b: float | None) -> tuple[str, str, str, str, str]:
    write = signed if name == GAIN else level
    return name, unit, write(a), write(b), signed(printed_gap(b, a))


def _ending(title: str) -> str:
    """What stands in the last brackets of a title."""
    if not title.endswith(")") or "(" not in title:
        return ""
    return title[title.rindex("(") + 1 : -1].strip()
