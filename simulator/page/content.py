"""Content of the page: measured tracks, predictions and findings, as words, tables and pictures.

A picture shows each version of a song, or a single track, over time as played, with what moves a line to
where it is in the file (`raw_db`, or a path of its own where the player does more than a gain). Everything
here is a value for the templates; the user's texts pass through as plain text and are escaped by the template
library. The first player is the one the page is about.
A player's numbers are listed with their sources; a value without one (a choice between words, such as the
scope) has a dash.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from simulator.common.text import NONE, level, signed
from simulator.common.units import db_to_gain, format_time
from simulator.delivery.finding import PRACTICE, Finding
from simulator.metering import figures
from simulator.metering.measurement import Measurement
from simulator.normalizer.codec_records import CODEC_NAMES
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile, Scope, TrustedTags, Upward
from simulator.page import pictures
from simulator.page.plain_words import (
    Headline,
    balance,
    engineer_sentences,
    heard_words,
    isolated,
    method_sentences,
    one_headline,
    pair_headline,
)
from simulator.playlists.playlist import BARE_FILES, Track
from simulator.text.colours import VERSIONS
from simulator.text.comparison.table import pair_rows
from simulator.text.findings import PLACES_IN_TEXT, brief, headline, ordered, verdict
from simulator.text.sentences import Version, uncertainty_sentence
from simulator.text.short_names import short_names
from simulator.text.tables import PEAKS_NOTE, peak_cells, peak_columns

MOST_TITLES = 3
"""Of bare files, in the title of a page."""


@dataclass(frozen=True, slots=True)
class PageTrack:
    """One track: its place in the playlist (from 1), what was measured, and for each player what it does
    (None where that could not be said); `problem` says why a track could not be read."""

    number: int
    track: Track
    delivered: Measurement | None
    predictions: tuple[Prediction | None, ...]
    problem: str = ""

    @property
    def readable(self) -> tuple[Measurement, Prediction] | None:
        """As delivered, and through the page's player; None where either is missing."""
        prediction = self.predictions[0]
        return None if self.delivered is None or prediction is None else (self.delivered, prediction)

    @property
    def file_lufs(self) -> float | None:
        return None if self.delivered is None else self.delivered.integrated_lufs


@dataclass(frozen=True, slots=True)
class PageContent:
    """What the page is made of, sounds apart."""

    title: str
    client: str
    version: str
    """Of the program."""
    profiles: tuple[Profile, ...]
    tracks: tuple[PageTrack, ...]
    decisions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    trials: tuple[str, ...] = ()
    findings: Mapping[int, tuple[Finding, ...]] = field(default_factory=dict)
    """From the delivery check, by the track's number."""
    engineer: str = ""
    """Who made the page."""
    listen: Mapping[str, Any] | None = field(default=None)
    """What the listening part shows (see `listen.view`); None where there is nothing to hear."""


def song_groups(tracks: Sequence[PageTrack]) -> list[list[PageTrack]]:
    """Readable versions of each song with two or more of them, in the playlist's order."""
    groups: dict[str, list[PageTrack]] = {}
    for track in tracks:
        if track.track.song is not None and track.readable:
            groups.setdefault(track.track.song, []).append(track)
    return [group for group in groups.values() if len(group) > 1]


@dataclass(frozen=True, slots=True)
class Look:
    """What a track is called on the page, and which of the versions' colours it has (None: a reference)."""

    name: str
    colour: int | None


def looks(tracks: Sequence[PageTrack]) -> dict[int, Look]:
    """The look of each track, by number. Of versions the quietest file has the first colour, the open
    version's; the others follow in order."""
    found = {
        track.number: Look(track.track.title, None if track.track.role == "reference" else 0)
        for track in tracks
    }
    for group in song_groups(tracks):
        levels = [math.inf if track.file_lufs is None else track.file_lufs for track in group]
        quietest = levels.index(min(levels))
        order = sorted(range(len(group)), key=lambda place: place != quietest)
        names = short_names([track.track.title for track in group])
        for colour, place in enumerate(order):
            found[group[place].number] = Look(names[place], colour % len(VERSIONS))
    return found


def page_title(title: str, tracks: Sequence[Track], *, hidden: bool = False) -> str:
    """The playlist's title; for bare files what their titles have in common, else the titles themselves,
    unless they must be `hidden` until a vote is over."""
    titles = list(dict.fromkeys(track.title for track in tracks))
    if (title and title != BARE_FILES) or not titles:
        return title or "Listening page"
    if len(titles) == 1:
        return titles[0]
    shared = itertools.takewhile(
        lambda column: len({word.casefold() for word in column}) == 1,
        zip(*(title.split() for title in titles), strict=False),
    )
    common = " ".join(column[0] for column in shared).rstrip(" -–—_(:,")
    if common:
        return common
    if hidden:
        return "Which master?"
    return " · ".join(titles) if len(titles) <= MOST_TITLES else f"{titles[0]} and {len(titles) - 1} more"


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
    named = finding.check in PLACES_IN_TEXT
    return {
        "level": finding.level,
        "headline": headline(finding),
        "places": ", ".join(map(format_time, () if named else finding.at_s[:PLACES_SHOWN])),
        "words": [words for words in (finding.text, finding.advice) if words],
        "source": finding.source if finding.source == PRACTICE else f"Source: {finding.source}",
    }


DASHES = ("", "7 4", "2 3", "9 3 2 3", "12 4", "4 2")
"""Of the lines of the versions, so that they differ in grey."""


def context(content: PageContent) -> dict[str, Any]:
    """Values for the page's templates, except the frame and the vote."""
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
        "measured": {
            "names": [name for _, name in figures.on_page()],
            "rows": [measured_row(track) for track in content.tracks],
        },
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
    assert page_track.readable
    return Version(isolated(look[page_track.number].name), *page_track.readable)


def _loud_and_open(
    group: Sequence[PageTrack], look: Mapping[int, Look]
) -> tuple[Version, Version] | tuple[()]:
    """The loudest and the least loud file of the versions; nothing where two cannot be measured."""
    known = [track for track in group if track.file_lufs is not None]
    if len(known) < 2:
        return ()
    known.sort(key=lambda track: track.file_lufs or 0.0, reverse=True)
    return _version(known[0], look), _version(known[-1], look)


def _first_master(content: PageContent, look: Mapping[int, Look]) -> tuple[Version, ...]:
    masters = [track for track in content.tracks if track.track.role == "master"] or content.tracks
    return tuple(_version(track, look) for track in masters if track.readable)[:1]


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
    together = {track.number: group for group in groups for track in group}
    shown: list[Sequence[PageTrack]] = []
    for track in content.tracks:
        group = together.get(track.number, [track])
        if track.readable and group not in shown:
            shown.append(group)
    return [_picture(group, look) for group in shown]


def _picture(group: Sequence[PageTrack], look: Mapping[int, Look]) -> dict[str, Any]:
    readable = [(track, *track.readable) for track in group if track.readable]
    energies = [(file.series.energy, found.played.series.energy) for _, file, found in readable]
    curves = [(pictures.curve(file), pictures.curve(heard)) for file, heard in energies]
    scale = pictures.limits([curve for pair in curves for curve in pair])
    length = max(delivered.duration_s for _, delivered, _ in readable)
    lines = []
    for place, (track, _, found) in enumerate(readable):
        gain_db, (file, heard) = found.decision.gain_db, energies[place]
        moved = np.allclose(heard, file * db_to_gain(gain_db) ** 2, rtol=1e-6, atol=0.0)
        name, colour = look[track.number].name, look[track.number].colour
        lines.append(
            {
                "index": track.number - 1,
                "name": name,
                "colour": colour,
                "dash": DASHES[(place if colour is None else colour) % len(DASHES)],
                "played": pictures.path(curves[place][1], scale, length),
                "raw": "" if moved else pictures.path(curves[place][0], scale, length),
                "raw_db": -gain_db if moved else 0.0,
            }
        )
    return {
        "lines": lines,
        "length_s": length,
        "units_per_db": pictures.HEIGHT / (scale[1] - scale[0]),
        "times": pictures.time_ticks(length),
        "levels": pictures.level_ticks(scale),
        "label": "; ".join(
            f"{isolated(look[track.number].name)} {heard_words(found)}" for track, _, found in readable
        ),
    }


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
    low = 5.0 * math.floor((min(lufs for _, lufs, _ in shown) - 1.5) / 5.0)
    width = max(1.0, max(peak for _, _, peak in shown) + 0.5) - low
    return {
        "full_scale": 100.0 * -low / width,
        "bars": [
            {
                "number": track.number,
                "title": track.track.title,
                "left": 100.0 * (lufs - low) / width,
                "width": 100.0 * max(peak - lufs, 0.0) / width,
                "words": f"{level(lufs)} LUFS, {signed(peak)} dBTP",
            }
            for track, lufs, peak in shown
        ],
    }


_SCOPES: dict[Scope, str] = {
    "track": "each track by itself",
    "album_loudest": "an album as a whole, by its loudest track",
    "album_programme": "an album as a whole, measured as one programme",
}
_UPWARD: dict[Upward, str] = {
    "never": "never raised",
    "headroom": "raised as far as the highest peak leaves room",
    "limited": "raised fully, into a limiter",
    "unprotected": "raised fully, without protection",
}
_MONO = {"one_channel": "as one channel", "two_loudspeakers": "as on two loudspeakers"}
_TAGS: dict[TrustedTags, str] = {
    "ignored": "",
    "replaygain": "trusted (ReplayGain)",
    "r128": "trusted (R128)",
    "any": "trusted",
}
_PEAKS = {"true": "true peaks", "sample": "sample peaks"}
_APPLIES = {"boost_only": "only where the level is raised", "always": "always"}


def number_rows(profile: Profile) -> list[tuple[str, str, str]]:
    """(what, value with unit, source) of each rule that the profile states."""
    target = "none" if profile.target_lufs is None else f"{level(profile.target_lufs)} LUFS"
    rows: list[tuple[str, str, str]] = [
        ("Target loudness", target, "loudness.target_lufs"),
        ("What gets one gain", _SCOPES[profile.scope], "loudness.scope"),
        ("How mono is counted", _MONO[profile.mono], "loudness.mono"),
        ("How far real players differ", f"±{level(profile.uncertainty_db)} dB", "loudness.uncertainty_db"),
        ("Quieter tracks are", _UPWARD[profile.upward], "gain.upward"),
    ]
    if profile.tags != "ignored":
        rows.append(("Loudness tags in files", _TAGS[profile.tags], "loudness.tags"))
    if profile.max_boost_db is not None:
        rows.append(("Raised at most by", f"{level(profile.max_boost_db)} dB", "gain.max_boost_db"))
    if profile.max_cut_db is not None:
        rows.append(("Turned down at most by", f"{level(profile.max_cut_db)} dB", "gain.max_cut_db"))
    unmeasured = f"{level(profile.unmeasurable_gain_db)} dB"
    rows.append(("Where nothing can be measured", unmeasured, "gain.unmeasurable_gain_db"))
    if profile.target_lufs is not None and profile.upward in ("headroom", "limited"):
        ceiling = profile.ceiling
        unit = "dBTP" if ceiling.counts == "true" else "dBFS"
        rows += [
            ("Ceiling for peaks", f"{level(ceiling.level_db)} {unit}", "ceiling.level_db"),
            ("Peaks counted", _PEAKS[ceiling.counts], "ceiling.counts"),
            ("The ceiling holds", _APPLIES[ceiling.applies], "ceiling.applies"),
        ]
    if profile.limiter is not None:
        rows += [
            ("Limiter, look-ahead", f"{level(profile.limiter.look_ahead_ms)} ms", "limiter.look_ahead_ms"),
            ("Limiter, release by 10 dB", f"{level(profile.limiter.release_ms)} ms", "limiter.release_ms"),
        ]
    if profile.converter_headroom_db is not None:
        room = f"{level(profile.converter_headroom_db)} dB"
        rows.append(("Its D/A converter clips above full scale by", room, "dac.headroom_db"))
    if profile.conditional is not None:
        limit = f"{level(profile.conditional.peak_to_loudness_below_db)} dB"
        target = f"{level(profile.conditional.target_lufs)} LUFS"
        rows += [
            (f"Target for peak-to-loudness under {limit}", target, "conditional.target_lufs"),
            ("Limit of that ratio", limit, "conditional.peak_to_loudness_below_db"),
        ]
    if (delivery := profile.delivery) is not None:
        if delivery.sample_rate is not None:
            rows.append(("Delivered at", f"{delivery.sample_rate} Hz", "encoding.sample_rate"))
        if delivery.bits is not None:
            rows.append(("Delivered in", f"{delivery.bits} bits", "encoding.bits"))
        if delivery.codec != "none":
            rows.append(("Delivered as", CODEC_NAMES[delivery.codec], "encoding.codec"))
        if delivery.bit_rate_kbps is not None:
            rows.append(("Bit rate", f"{delivery.bit_rate_kbps:g} kbit/s", "encoding.bit_rate_kbps"))
    return [(what, value, profile.sources.get(key, NONE)) for what, value, key in rows]


def player_table(content: PageContent, place: int) -> dict[str, Any]:
    """What a player does to each track, and its own numbers."""
    profile, rows = content.profiles[place], []
    for track in content.tracks:
        cells = [NONE] * 5
        if (found := track.predictions[place]) is not None:
            played = found.played
            values = (played.integrated_lufs, played.max_short_term_lufs, played.true_peak_dbtp)
            reduction = level(found.limiter.max_reduction_db)
            cells = [signed(found.decision.gain_db), *map(level, values), reduction]
        rows.append({"number": track.number, "title": track.track.title, "cells": cells})
    return {
        "title": profile.title,
        "sentence": profile.sentence,
        "peaks": _peaks(content, place),
        "rows": rows,
        "numbers": number_rows(profile),
    }


def _peaks(content: PageContent, place: int) -> dict[str, Any] | None:
    """True peak and overs of the master, after each step of the delivery, and as played; None where the
    master itself is what the player gets."""
    found = [track.predictions[place] for track in content.tracks]
    columns = peak_columns(found)
    if not columns:
        return None
    rows = [
        {"number": one.number, "title": one.track.title, "cells": peak_cells(columns, one.delivered, each)}
        for one, each in zip(content.tracks, found, strict=True)
        if each is not None and one.delivered is not None
    ]
    headings = [(name, "") for name in ("master", *columns, "as played")]
    return {"columns": headings, "rows": rows, "note": PEAKS_NOTE}


def measured_row(page_track: PageTrack) -> dict[str, Any]:
    found = page_track.delivered
    cells = [NONE if found is None else figure.text(found) for figure, _ in figures.on_page()]
    return {"number": page_track.number, "title": page_track.track.title, "cells": cells}
