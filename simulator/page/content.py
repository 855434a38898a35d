"""Content of the page: measured tracks, predictions and findings, as words, tables and pictures.

A picture shows each version of a song, or a single track, over time as played, with what moves a line to
where it is in the file (`raw_db`, or a path of its own where the player does more than a gain). Everything
here is a value for the templates; the user's texts pass through as plain text and are escaped by the template
library. The first player is the one the page is about.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from simulator.common.text import level, signed
from simulator.common.units import db_to_gain, format_time
from simulator.delivery.finding import PRACTICE, Finding
from simulator.page import charts
from simulator.page.tables import measured_names, measured_row, player_table
from simulator.page.values import Look, PageContent, PageTrack, looks, song_groups
from simulator.page.words import (
    Headline,
    balance,
    engineer_sentences,
    heard_words,
    isolated,
    method_sentences,
    one_headline,
    pair_headline,
)
from simulator.text.comparison.table import pair_rows
from simulator.text.findings import PLACES_IN_TEXT, brief, headline, ordered, verdict
from simulator.text.sentences import Version, uncertainty_sentence

PLACES_SHOWN = 10


def check_rows(content: PageContent) -> list[dict[str, Any]]:
    """One row a checked master, in the list's order; empty where nothing was checked."""
    return [
        {
            "number": track.number,
            "title": track.track.title,
            "verdict": verdict(found),
            "findings": [_row(each) for each in ordered(found) if each.level != "fine"],
            "fine": brief(each for each in found if each.level == "fine" and each.check != "player"),
        }
        for track in content.tracks
        if (found := content.findings.get(track.number))
    ]


def _row(finding: Finding) -> dict[str, Any]:
    return {
        "level": finding.level,
        "headline": headline(finding),
        "places": ""
        if finding.check in PLACES_IN_TEXT
        else ", ".join(map(format_time, finding.at_s[:PLACES_SHOWN])),
        "words": [words for words in (finding.text, finding.advice) if words],
        "source": finding.source if finding.source == PRACTICE else f"Source: {finding.source}",
    }


DASHES = ("", "7 4", "2 3", "9 3 2 3", "12 4", "4 2")
"""Of the lines of the versions, so that they differ in grey."""


def context(content: PageContent) -> dict[str, Any]:
    """All values of the page's templates but those of the frame and the vote."""
    profile, look = content.profiles[0], looks(content.tracks)
    groups = song_groups(content.tracks)
    pair = _loud_and_open(groups[0], look) if groups else ()
    voiced = pair or _first_master(content, look)
    return {
        "title": content.title,
        "client": content.client,
        "profile": {"title": profile.title, "title_in_text": f"“{profile.title}”"},
        "streamed": profile.target_lufs is not None,
        "headline": _headline(content, voiced),
        "listen": content.listen,
        "pictures": _pictures(content, groups, look),
        "headroom": _headroom(content),
        "tracks": [_track(track, look[track.number].colour) for track in content.tracks],
        "balance": balance(*pair, profile) if pair else [],
        "engineer_sentences": engineer_sentences(voiced, profile) if voiced else [],
        "decisions": content.decisions,
        "notes": content.notes,
        "trials": content.trials,
        "checks": check_rows(content),
        "uncertainty": uncertainty_sentence(profile),
        "pairs": [
            {"names": [version.name for version in versions], "rows": pair_rows(*versions)}
            for group in groups
            if len(group) == 2 and (versions := tuple(_version(one, look) for one in group))
        ],
        "players": [player_table(content, place) for place in range(len(content.profiles))],
        "measured": {"names": measured_names(), "rows": [measured_row(track) for track in content.tracks]},
        "warnings": [
            (track.track.title, note.text)
            for track in content.tracks
            if track.delivered is not None
            for note in track.delivered.warnings
        ],
        "method": method_sentences(content.version),
    }


def _track(page_track: PageTrack, colour: int | None) -> dict[str, Any]:
    found, track = page_track.predictions[0], page_track.track
    failed = f"could not be {'read' if page_track.delivered is None else 'played'}"
    return {
        "number": page_track.number,
        "title": track.title,
        "artist": track.artist,
        "role": track.role,
        "colour": colour,
        "heard": failed if found is None else heard_words(found),
        "reason": page_track.problem if found is None else found.decision.reason,
    }


def _version(page_track: PageTrack, look: Mapping[int, Look]) -> Version:
    """A readable track as the sentences name it."""
    found = page_track.predictions[0]
    assert page_track.delivered is not None
    assert found is not None
    return Version(isolated(look[page_track.number].name), page_track.delivered, found)


def _loud_and_open(
    group: Sequence[PageTrack], look: Mapping[int, Look]
) -> tuple[Version, Version] | tuple[()]:
    """The loudest and the least loud file of the versions; nothing where two cannot be measured."""
    known = [one for one in group if one.delivered is not None and one.delivered.integrated_lufs is not None]
    if len(known) < 2:
        return ()

    def loudness(page_track: PageTrack) -> float:
        lufs = None if page_track.delivered is None else page_track.delivered.integrated_lufs
        return 0.0 if lufs is None else lufs

    return _version(max(known, key=loudness), look), _version(min(reversed(known), key=loudness), look)


def _first_master(content: PageContent, look: Mapping[int, Look]) -> tuple[Version, ...]:
    masters = [track for track in content.tracks if track.track.role == "master"] or list(content.tracks)
    readable = (
        master for master in masters if master.delivered is not None and master.predictions[0] is not None
    )
    return tuple(_version(one, look) for one in list(readable)[:1])


def _headline(content: PageContent, voiced: Sequence[Version]) -> Headline:
    if len(voiced) == 2:
        return pair_headline(voiced[0], voiced[1], content.profiles[0])
    if voiced:
        return one_headline(voiced[0])
    return Headline("What can I hear?", "None of these tracks could be played.")


def _pictures(
    content: PageContent, groups: Sequence[Sequence[PageTrack]], look: Mapping[int, Look]
) -> list[dict[str, Any]]:
    """One picture a song or single track, in the list's order, each on a scale of its own."""
    readable = [
        track for track in content.tracks if track.delivered is not None and track.predictions[0] is not None
    ]
    together = {one.number: group for group in groups for one in group}
    shown: list[Sequence[PageTrack]] = []
    for one in readable:
        group = together.get(one.number, [one])
        if group not in shown:
            shown.append(group)
    curves = {
        one.number: (charts.curve(_file_energy(one)), charts.curve(_heard_energy(one))) for one in readable
    }
    return [_picture(group, curves, look) for group in shown]


def _picture(
    group: Sequence[PageTrack],
    curves: Mapping[int, tuple[charts.Curve, charts.Curve]],
    look: Mapping[int, Look],
) -> dict[str, Any]:
    lines = []
    scale = charts.limits([each for one in group for each in curves[one.number]])
    length = max(one.delivered.duration_s for one in group if one.delivered is not None)
    for place, one in enumerate(group):
        found, (file, heard) = one.predictions[0], curves[one.number]
        assert found is not None
        gain_db = found.decision.gain_db
        moved = np.allclose(
            _heard_energy(one), _file_energy(one) * db_to_gain(gain_db) ** 2, rtol=1e-6, atol=0.0
        )
        colour = look[one.number].colour
        lines.append(
            {
                "index": one.number - 1,
                "name": look[one.number].name,
                "colour": colour,
                "dash": DASHES[(place if colour is None else colour) % len(DASHES)],
                "played": charts.path(heard, scale, length),
                "raw": "" if moved else charts.path(file, scale, length),
                "raw_db": -gain_db if moved else 0.0,
            }
        )
    return {
        "lines": lines,
        "length_s": length,
        "units_per_db": charts.HEIGHT / (scale[1] - scale[0]),
        "times": charts.time_ticks(length),
        "levels": charts.level_ticks(scale),
        "label": "; ".join(
            f"{isolated(look[one.number].name)} {heard_words(found)}"
            for one in group
            if (found := one.predictions[0]) is not None
        ),
    }


def _file_energy(page_track: PageTrack) -> np.ndarray:
    assert page_track.delivered is not None
    return page_track.delivered.series.energy


def _heard_energy(page_track: PageTrack) -> np.ndarray:
    assert page_track.predictions[0] is not None
    return page_track.predictions[0].played.series.energy


def _headroom(content: PageContent) -> dict[str, Any] | None:
    """Of each track a bar from its loudness as played to its highest peak, in percent of one scale that ends
    at or above full scale; None where nothing could be measured."""
    shown = [
        (track, lufs, peak)
        for track in content.tracks
        if (found := track.predictions[0]) is not None
        and (lufs := found.played.integrated_lufs) is not None
        and (peak := found.played.true_peak_dbtp) is not None
    ]
    if not shown:
        return None
    low = 5.0 * np.floor((min(lufs for _, lufs, _ in shown) - 1.5) / 5.0)
    scale = (float(low), max(1.0, max(peak for _, _, peak in shown) + 0.5))
    wide = scale[1] - scale[0]
    return {
        "full_scale": 100.0 * -scale[0] / wide,
        "bars": [
            {
                "number": one.number,
                "title": one.track.title,
                "left": 100.0 * (lufs - scale[0]) / wide,
                "width": 100.0 * max(peak - lufs, 0.0) / wide,
                "words": f"{level(lufs)} LUFS, {signed(peak)} dBTP",
            }
            for one, lufs, peak in shown
        ],
    }
