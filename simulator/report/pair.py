"""Which two versions stand side by side, and what stands in their columns?"""

from __future__ import annotations

from collections.abc import Sequence

from simulator.measure.measurement import Measurement
from simulator.player.playlist import Track
from simulator.report.numbers import level, signed
from simulator.report.sentences import Version, punch_db

LONGEST_NAME = 34


def choose_pair(tracks: Sequence[tuple[Track, Measurement | None]]) -> tuple[int, int] | None:
    """The loudest and the least loud measurable version of the first song with two of them, in the
    playlist's order; the two tracks of a list of two; None where nothing suggests itself."""
    good = [i for i, (_, found) in enumerate(tracks) if found is not None and found.integrated_lufs is not None]
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


def short_names(first: Track, second: Track) -> tuple[str, str]:
    """What to call the two: what differs in their titles ("open master", "crushed master"), else the
    titles, else with their places."""
    a, b = _ending(first.title), _ending(second.title)
    if a and b and a != b:
        return f"the {a}", f"the {b}"
    names = tuple(_cut(track.title) for track in (first, second))
    if names[0] == names[1]:
        return f"{names[0]} (first)", f"{names[1]} (second)"
    return f"“{names[0]}”", f"“{names[1]}”"


def pair_rows(first: Version, second: Version) -> list[tuple[str, str, str, str, str]]:
    """Lines of the side-by-side: what, unit, first, second, and by how much the second has more."""
    a, b = first, second
    lines: list[tuple[str, str, float | None, float | None, bool]] = [
        (
            "As delivered",
            "LUFS",
            a.delivered.integrated_lufs,
            b.delivered.integrated_lufs,
            False,
        ),
        ("The player's gain", "dB", a.prediction.decision.gain_db, b.prediction.decision.gain_db, True),
        (
            "Level as played",
            "LUFS",
            a.prediction.played.integrated_lufs,
            b.prediction.played.integrated_lufs,
            False,
        ),
        (
            "Loudest passage as played",
            "LUFS",
            a.prediction.played.max_short_term_lufs,
            b.prediction.played.max_short_term_lufs,
            False,
        ),
        (
            "Unused headroom as played",
            "dB",
            a.prediction.unused_headroom_db,
            b.prediction.unused_headroom_db,
            False,
        ),
        ("Punch: peak to loudness", "dB", punch_db(a.prediction.played), punch_db(b.prediction.played), False),
        (
            "Punch: median peak to 3 s",
            "dB",
            a.prediction.played.median_peak_to_short_term_db,
            b.prediction.played.median_peak_to_short_term_db,
            False,
        ),
    ]
    return [
        (
            name,
            unit,
            (signed if is_gain else level)(x),
            (signed if is_gain else level)(y),
            signed(None if x is None or y is None else y - x),
        )
        for name, unit, x, y, is_gain in lines
    ]


def _ending(title: str) -> str:
    """What stands in the last brackets of a title."""
    if not title.endswith(")") or "(" not in title:
        return ""
    return title[title.rindex("(") + 1 : -1].strip()


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_NAME else f"{text[: LONGEST_NAME - 1]}…"
