"""Content of the page: measured tracks and predictions, as words, tables and pictures.

Everything here is a value for the templates; texts of the user's (titles, names, notes) pass through as
plain text and are escaped by the template library. The first player is the one that the page is about.

Findings of the delivery check on the page: a verdict for each master, and what needs a word.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from simulator.common.numbers import level, signed
from simulator.common.units import format_time
from simulator.delivery.finding import PRACTICE, Finding
from simulator.page import charts
from simulator.page.tables import does_row, measured_names, measured_row, player_table
from simulator.page.values import PageContent, PageTrack, song_groups
from simulator.page.words import balance, isolated, method_sentences, one_master, three_sentences
from simulator.text.comparison.pair import choose_pair, pair_rows, short_names
from simulator.text.findings import PLACES_IN_TEXT, brief, headline, ordered, verdict
from simulator.text.sentences import Version, uncertainty_sentence

PLACES_SHOWN = 10


def check_rows(content: PageContent) -> list[dict[str, Any]]:
    """One row a checked master, in the list's order; empty where nothing was checked."""
    return [
        {
            "number": one.number,
            "title": one.track.title,
            "verdict": verdict(found),
            "findings": [_row(each) for each in ordered(found) if each.level != "fine"],
            "fine": brief(each for each in found if each.level == "fine" and each.check != "player"),
        }
        for one in content.tracks
        if (found := content.findings.get(one.number))
    ]


def _row(found: Finding) -> dict[str, Any]:
    return {
        "level": found.level,
        "headline": headline(found),
        "places": ""
        if found.check in PLACES_IN_TEXT
        else ", ".join(map(format_time, found.at_s[:PLACES_SHOWN])),
        "words": [words for words in (found.text, found.advice) if words],
        "source": found.source if found.source == PRACTICE else f"Source: {found.source}",
    }


STYLE_NAMES = ("solid", "dashed", "dotted", "dash and dot")
MOST_LINES = 4
"""Versions of one song in one picture; more could not be told apart in grey."""


def context(content: PageContent) -> dict[str, Any]:
    """All values of the page's templates but those of the frame and the vote."""
    profile = content.profiles[0]
    songs = _songs(content)
    in_songs = {number for song in songs for number in song["numbers"]}
    three, balances = _said(content)
    return {
        "title": content.title,
        "client": content.client,
        "profile": {"title": profile.title, "title_in_text": f"“{profile.title}”"},
        "listen": content.listen,
        "songs": songs,
        "singles": [
            _single(one)
            for one in content.tracks
            if one.number not in in_songs and one.delivered is not None and one.predictions[0] is not None
        ],
        "headroom_svg": _headroom(content),
        "tracks": [does_row(one) for one in content.tracks],
        "three": three,
        "balances": balances,
        "decisions": content.decisions,
        "notes": content.notes,
        "trials": content.trials,
        "checks": check_rows(content),
        "uncertainty": uncertainty_sentence(profile),
        "players": [player_table(content, place) for place in range(len(content.profiles))],
        "measured": {"names": measured_names(), "rows": [measured_row(one) for one in content.tracks]},
        "warnings": [
            (one.track.title, note.text)
            for one in content.tracks
            if one.delivered is not None
            for note in one.delivered.warnings
        ],
        "method": method_sentences(content.version),
    }


def _songs(content: PageContent) -> list[dict[str, Any]]:
    groups = song_groups(content.tracks)
    if not groups:
        pair = _pair(content)
        groups = [[content.tracks[place] for place in pair]] if pair else []
    return [_song(content, group[:MOST_LINES], number) for number, group in enumerate(groups)]


def _song(content: PageContent, group: list[PageTrack], number: int) -> dict[str, Any]:
    delivered, played = [], []
    for one in group:
        found = one.predictions[0]
        assert one.delivered is not None
        assert found is not None
        delivered.append(charts.curve(one.delivered.series.energy))
        played.append(charts.curve(found.played.series.energy))
    scale = charts.limits([*delivered, *played])
    target = content.profiles[0].target_lufs
    caption = _caption(group)
    versions = _versions(content, [content.tracks.index(one) for one in group[:2]])
    return {
        "title": "" if group[0].track.song is None else _song_title(group),
        "numbers": [one.number for one in group],
        "versions": [
            {"title": one.track.title, "style": place, "style_name": STYLE_NAMES[place]}
            for place, one in enumerate(group)
        ],
        "delivered_svg": Markup(
            charts.loudness_svg(delivered, scale, None, f"As delivered. {caption}", f"song{number}d")
        ),
        "played_svg": Markup(
            charts.loudness_svg(played, scale, target, f"As played. {caption}", f"song{number}p")
        ),
        "target": None if target is None else level(target),
        "caption": caption,
        "names": short_names(group[0].track, group[1].track),
        "rows": pair_rows(*versions) if versions and len(group) == 2 else [],
    }


def _song_title(group: Sequence[PageTrack]) -> str:
    """What the titles of the versions have in common, else nothing."""
    titles = {one.track.title.rpartition("(")[0].strip() or one.track.title for one in group}
    return titles.pop() if len(titles) == 1 else ""


def _caption(group: Sequence[PageTrack]) -> str:
    """The picture in words: each version's loudness over the whole track, before and after."""
    said = []
    for one in group:
        found = one.predictions[0]
        if found is not None and one.delivered is not None:
            before, after = one.delivered.integrated_lufs, found.played.integrated_lufs
            said.append(
                f"{isolated(one.track.title)}: {level(before)} LUFS delivered, {level(after)} LUFS played"
            )
    return "; ".join(said) + "." if said else ""


def _single(one: PageTrack) -> dict[str, Any]:
    found = one.predictions[0]
    assert one.delivered is not None
    assert found is not None
    curves = [charts.curve(found.played.series.energy), charts.curve(one.delivered.series.energy)]
    caption = _caption([one])
    picture = charts.loudness_svg(
        curves, charts.limits(curves), None, f"Loudness over time. {caption}", f"track{one.number}"
    )
    return {"number": one.number, "title": one.track.title, "svg": Markup(picture), "caption": caption}


def _headroom(content: PageContent) -> Markup | None:
    shown = [(one, found) for one in content.tracks if (found := one.predictions[0]) is not None]
    bars = [
        charts.HeadroomBar(one.number, found.played.integrated_lufs, found.played.true_peak_dbtp)
        for one, found in shown
    ]
    if not any(bar.loudness_lufs is not None for bar in bars):
        return None
    said = "; ".join(
        f"{one.number}: loudness {level(bar.loudness_lufs)} LUFS, peak {signed(bar.true_peak_dbtp)} dBTP"
        for (one, _), bar in zip(shown, bars, strict=True)
    )
    return Markup(charts.headroom_svg(bars, f"Loudness and highest peak as played. {said}.", "headroom"))


def _pair(content: PageContent) -> tuple[int, int] | None:
    return choose_pair([(one.track, one.delivered) for one in content.tracks])


def _versions(content: PageContent, places: Sequence[int]) -> tuple[Version, Version] | None:
    """Two tracks as the sentences name them."""
    first, second = (content.tracks[place] for place in places)
    names = short_names(first.track, second.track)
    made = []
    for one, name in zip((first, second), names, strict=True):
        found = one.predictions[0]
        if one.delivered is None or found is None:
            return None
        made.append(Version(isolated(name), one.delivered, found))
    return made[0], made[1]


def _said(content: PageContent) -> tuple[list[str], list[Any]]:
    """The sentences on the pair that stands side by side, else on the first readable master."""
    profile, pair = content.profiles[0], _pair(content)
    versions = _versions(content, pair) if pair is not None else None
    if versions is not None:
        parts = balance(*versions, profile)
        return three_sentences(*versions, profile), [parts] if parts else []
    masters = [one for one in content.tracks if one.track.role == "master"] or list(content.tracks)
    for one in masters:
        found = one.predictions[0]
        if one.delivered is not None and found is not None:
            return one_master(Version(isolated(f"“{one.track.title}”"), one.delivered, found), profile), []
    return [], []
