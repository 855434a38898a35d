"""The versions of a song that `compare` sets side by side, and its screen: the answer, one table, small
curves and a few sentences; with --detail every figure and sentence.
"""

from __future__ import annotations

import os
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from simulator.cli.options import say_problems, warn
from simulator.cli.output import READING_WIDTH, Readout
from simulator.cli.steps.prepare import PreparedPlaylist
from simulator.common.errors import SimulatorError, UsageError
from simulator.common.text import counted, level, whole_number
from simulator.comparison.alignment import Alignment
from simulator.comparison.versions import Comparison, Figures
from simulator.engine.compare import VersionPair
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import Track
from simulator.text.audibility import CAVEAT, audibility_answer, audibility_line, moment_line
from simulator.text.charts.comparison import Drawing, Drawn
from simulator.text.comparison.answer import answer_sentences, further_sentence
from simulator.text.comparison.curves import on_clock, short_term_curve, sparkline
from simulator.text.comparison.delivered import Names, Said, whole_sentences
from simulator.text.comparison.played import played_sentences
from simulator.text.comparison.table import (
    GAIN,
    MOST_VERSIONS,
    Row,
    figure_rows,
    place_text,
    player_groups,
    residual_rows,
    tonal_text,
)
from simulator.text.short_names import short_names
from simulator.text.tables import grid, shortened

if TYPE_CHECKING:
    from rich.table import Table

LONGEST_NAME = 16
MOST_SENTENCES, MOST_LINES = 5, 5
"""Below the table, so that a pair fits 24 lines; further versions get two lines more each."""
FIRST = ("roles", "no_difference", "mono", "headroom", "stays_quieter", "difference_tonal", "anywhere",
         "no_level_difference", "audible", "passages", "open_quiet", "caution")  # fmt: skip
"""Rules of the sentences without --detail, the most telling first."""
ORDINARY = "of 1). "
"""What an alignment says before anything unusual: the same performance (similarity 0.96 of 1)."""
LEAST_CURVE, LEAST_WIDTH, NAMES_WIDTH, NARROW = 20, 7, 12, 76
LABELS_WIDTH, GAP_WIDTH = 25, 8
"""Columns of a terminal: of a row's name and unit, and of a difference, each with the space behind it."""
MOST_IDS, MOST_MOMENTS = 2, 5


@dataclass(frozen=True, slots=True)
class SongVersion:
    """One version of the song, measured, with what each player makes of it."""

    name: str
    track: Track
    measured: Measurement
    predictions: tuple[Prediction, ...]


@dataclass(frozen=True, slots=True)
class SongVersions:
    """All versions in their order, and the places of the pair: `loud` is the louder of the two; `turned`
    where the command line named the two the other way round."""

    all: tuple[SongVersion, ...]
    loud: int
    open: int
    turned: bool

    @property
    def names(self) -> Names:
        return Names(self.all[self.loud].name, self.all[self.open].name)

    @property
    def further(self) -> list[int]:
        """The places of those outside the pair."""
        return [place for place in range(len(self.all)) if place not in (self.loud, self.open)]

    def style(self, place: int) -> str | None:
        """The terminal style of a version (by place)."""
        return {self.loud: "loud", self.open: "open"}.get(place)

    def pair(self, ready: PreparedPlaylist, loud: int | None = None) -> VersionPair:
        """The pair, or another version (by place) instead of the loud one."""
        first, second = self.all[self.loud if loud is None else loud], self.all[self.open]
        both = zip(first.predictions, second.predictions, strict=True)
        return VersionPair(
            (first.track, second.track), (first.measured, second.measured), ready.profiles, list(both)
        )


def chosen_versions(ready: PreparedPlaylist, in_order: bool, against: str, names: str) -> SongVersions:
    """The versions of the first song that has two. `in_order`: they are files of the command line, so the
    first one is held against the second; otherwise the loudest against the least loud. `against` names the
    second one instead, `names` their short names. Raises UsageError, and the error of a version that cannot
    be read."""
    places = _song(ready)
    versions = []
    for place in places:
        one, played = ready.tracks[place], [row[place] for row in ready.predictions]
        if one.measurement is None:
            raise one.problem or SimulatorError(f"{one.track.path}: could not be measured.")
        predictions = [found for found in played if isinstance(found, Prediction)]
        if len(predictions) < len(played):
            failed = next(found for found in played if not isinstance(found, Prediction))
            raise failed or SimulatorError(f"{one.track.path}: could not be played.")
        versions.append(SongVersion("", one.track, one.measurement, tuple(predictions)))
    called = _names(names, [version.track.title for version in versions])
    versions = [replace(one, name=name) for one, name in zip(versions, called, strict=True)]
    second = _named(against, versions) if against else 1 if in_order else _loudness(versions)[0]
    order = [place for place in _loudness(versions)[::-1] if place != second]
    first = next(place for place in range(len(versions)) if place != second) if in_order else order[0]
    louder = _lufs(versions[first]) >= _lufs(versions[second])
    loud, open_ = (first, second) if louder else (second, first)
    sounding = all(versions[place].measured.integrated_lufs is not None for place in (loud, open_))
    return SongVersions(tuple(versions), loud, open_, in_order and not louder and sounding)


def _song(ready: PreparedPlaylist) -> list[int]:
    """The places of the versions; the tracks of a list of two, whatever they are."""
    tracks = ready.tracks
    one_song = {track.track.song for track in tracks} == {tracks[0].track.song} != {None}
    if one_song and 1 < len(tracks) <= MOST_VERSIONS:
        return list(range(len(tracks)))
    say_problems(track.problem for track in tracks)
    songs: dict[str, list[int]] = {}
    for place, one in enumerate(tracks):
        if one.track.song is not None and one.measurement is not None:
            songs.setdefault(one.track.song, []).append(place)
    found = next((places for places in songs.values() if len(places) > 1), [])
    if not found:
        raise UsageError(
            "Nothing to compare.",
            "Give two files, or a playlist with two tracks that share the same `song` key.",
        )
    if len(found) > MOST_VERSIONS:
        warn(f"The first {MOST_VERSIONS} of {len(found)} versions are compared.")
    return found[:MOST_VERSIONS]


def _names(given: str, titles: Sequence[str]) -> Sequence[str]:
    if not given:
        return short_names(titles, LONGEST_NAME)
    called = [name.strip() for name in given.split(",")]
    if (
        len(called) != len(titles)
        or not all(called)
        or len({name.casefold() for name in called}) < len(called)
    ):
        raise UsageError(
            f"--names {given}: {len(titles)} different names are needed, one a version.",
            f"For example --names {','.join(short_names(titles))}.",
        )
    return called


def _named(word: str, versions: Sequence[SongVersion]) -> int:
    """The place of the version that --against names: by its short name, its number, or its file."""
    number = whole_number(word)
    for place, one in enumerate(versions, 1):
        if word.casefold() in (one.name.casefold(), one.track.title.casefold()) or number == place:
            return place - 1
        if os.path.abspath(word) == one.track.path or word == os.path.basename(one.track.path):
            return place - 1
    known = ", ".join(f"{place} {one.name}" for place, one in enumerate(versions, 1))
    raise UsageError(f"--against {word}: no such version.", f"Give a name, a number or a file of: {known}.")


def _lufs(version: SongVersion) -> float:
    loudness = version.measured.integrated_lufs
    return -200.0 if loudness is None else loudness


def _loudness(versions: Sequence[SongVersion]) -> list[int]:
    """Places from the least loud version to the loudest."""
    return sorted(range(len(versions)), key=lambda place: _lufs(versions[place]))


@dataclass(frozen=True, slots=True)
class Compared:
    """Versions compared: the pair, and each further version (by place) against the pair's open one."""

    versions: SongVersions
    pair: Comparison
    further: Mapping[int, Comparison]

    @property
    def answer(self) -> list[Said]:
        names = self.versions.names
        turned = Said("roles", f"Named the other way round: {names.loud} is the louder one.")
        return [*answer_sentences(self.pair, names), *([turned] if self.versions.turned else [])]

    @property
    def overall(self) -> list[Said]:
        return whole_sentences(self.pair, self.versions.names)

    @property
    def by_player(self) -> list[list[Said]]:
        return [played_sentences(self.pair, played, self.versions.names) for played in self.pair.played]

    @property
    def more(self) -> list[Said]:
        """A sentence for each further version, against the open one."""
        open_ = self.versions.names.open
        return [
            further_sentence(comparison, Names(self.versions.all[place].name, open_))
            for place, comparison in self.further.items()
        ]

    def figures(self, place: int, player: int | None = None) -> Figures:
        """Those of a version (by place) as delivered, or on a player (by place)."""
        comparison = self.further.get(place, self.pair)
        side = comparison.delivered if player is None else comparison.played[player].side
        return side.open if place == self.versions.open else side.loud

    def aligned(self, place: int) -> Alignment | None:
        """How a version (by place) lies against the open one; None for that itself, and where the two are
        not compared moment by moment."""
        comparison = self.further.get(place, self.pair)
        shared = comparison.passages.shared and place != self.versions.open
        return comparison.alignment if shared else None

    def drawing(self, player: int) -> Drawing:
        """What a picture shows of them on one player (by place): the open one, the loud one, the others."""
        played, drawn = self.pair.played[player], []
        for place in (self.versions.open, self.versions.loud, *self.versions.further):
            one = self.versions.all[place]
            drawn.append(
                Drawn(one.name, self.aligned(place), one.measured, one.predictions[player].played,
                      self.figures(place), self.figures(place, player))
            )  # fmt: skip
        only = replace(self.pair, played=(played,))
        answer = " ".join(said.text for said in answer_sentences(only, self.versions.names))
        return Drawing(answer, played.profile.title, drawn, self.pair.passages, self.pair.audibility)


def show_comparison(out: Readout, compared: Compared) -> None:
    """The whole screen."""
    said = compared.answer
    out.answer(*(one.text for one in said if one.rule != "roles"))
    if out.quiet:
        return
    if out.detail:
        _show_detail(out, compared, [one for one in said if one.rule == "roles"])
        return
    out.line()
    if len(compared.pair.played) > 1:
        out.table(_players_table(compared))
    elif compared.further or out.width < NARROW:
        out.table(_versions_table(out, compared, 0, every=False))
    else:
        out.table(_pair_table(out, compared))
    if len(compared.pair.played) == 1:
        _show_curves(out, compared)
    out.line()
    out.sentences(_few(said, compared))
    others = "--profile all (other players), " if len(compared.pair.played) == 1 else ""
    another = "--against NAME (another pair), " if compared.further else ""
    out.paragraph(f"Try also: --detail, {others}{another}--figure pair.png.", style="soft")


def _few(said: Sequence[Said], compared: Compared) -> list[str]:
    """The most telling sentences, each rule once."""
    one_player = compared.by_player[0] if len(compared.by_player) == 1 else []
    chosen = [one.text for one in compared.more]
    notes = compared.pair.alignment.reason.partition(ORDINARY)[2]
    chosen += [notes] if compared.pair.alignment.fits and notes else []
    every = [*said, *compared.overall, *one_player]
    rules = [one.rule for one in every]
    heard = compared.pair.audibility
    for rule in FIRST:
        if rule == "audible" and heard is not None:
            chosen.append(audibility_line(heard))
        if rule == "open_quiet" and heard is not None:
            continue
        if rule in rules and not (rule == "stays_quieter" and "headroom" in rules):
            chosen += [one.text for one in every if one.rule == rule]
    kept: list[str] = []
    left = MOST_LINES + 2 * len(compared.more)
    for text in chosen:
        lines = len(textwrap.wrap(text, READING_WIDTH - 2, break_on_hyphens=False))
        if len(kept) < MOST_SENTENCES and lines <= left:
            kept.append(text)
            left -= lines
    return kept


def _heading(name: str, state: str, width: int) -> str:
    """A version's name over its state: in two lines where the words allow it, else shortened."""
    width = max(width, LEAST_WIDTH)
    lines = textwrap.wrap(name, width, break_long_words=False)
    if len(lines) > 2 or any(len(line) > width for line in lines):
        lines = [shortened(name, width)]
    return "\n".join([*lines, state]).strip()


def _pair_table(out: Readout, compared: Compared) -> Table:
    """The pair as delivered and as played, with the differences."""
    names, versions = compared.versions.names, compared.versions
    places = [versions.loud, versions.open]
    columns = [compared.figures(place, player) for player in (None, 0) for place in places]
    width = (min(out.width, 120) - LABELS_WIDTH - 2 * GAP_WIDTH) // 4 - 2
    headings = [f"player:\n{compared.pair.played[0].profile.id}", ""]
    for state in ("delivered", "played"):
        headings += [_heading(name, state, width) for name in (names.loud, names.open)] + ["diff."]
    table = _plain(headings, 2)
    for place, style in ((2, "loud"), (3, "open"), (5, "loud"), (6, "open")):
        table.columns[place].style = table.columns[place].header_style = style
    for row in figure_rows(columns):
        if row.label != GAIN:
            cells = row.cell(0), row.cell(1), row.gap(0, 1), row.cell(2), row.cell(3), row.gap(2, 3)
            table.add_row(row.label, row.unit, *cells)
    return table


def _versions_table(out: Readout, compared: Compared, player: int, *, every: bool) -> Table:
    """A column a version: as delivered, then as played what differs from that."""
    places = range(len(compared.versions.all))
    width = (min(out.width, 120) - LABELS_WIDTH) // len(places) - 2
    profile = compared.pair.played[player].profile.id
    names = [_heading(one.name, "", width) for one in compared.versions.all]
    table = _plain([f"player:\n{profile}", "", *names], 2)
    for place in places:
        if style := compared.versions.style(place):
            table.columns[2 + place].style = table.columns[2 + place].header_style = style
    delivered = figure_rows([compared.figures(place) for place in places], every=every)
    played = figure_rows([compared.figures(place, player) for place in places], every=every)
    table.add_row("as delivered", style="answer")
    _add(table, [row for row in delivered if row.label != GAIN], len(places))
    table.add_row("as played", style="answer")
    before = {row.label: _cells(row, len(places)) for row in delivered}
    changed = [row for row in played if every or before.get(row.label) != _cells(row, len(places))]
    _add(table, changed, len(places))
    return table


def _add(table: Table, rows: Sequence[Row], count: int) -> None:
    for row in rows:
        table.add_row(row.label, row.unit, *_cells(row, count))


def _cells(row: Row, count: int) -> list[str]:
    return [row.cell(place) for place in range(count)]


def _players_table(compared: Compared) -> Table:
    """Players in groups that leave the same, with the pair's gains and what is left of the difference."""
    names = compared.versions.names
    loud, open_ = (shortened(name, NAMES_WIDTH) for name in (names.loud, names.open))
    headings = [f"{loud} minus {open_},\nas played", "overall\nLU", "loudest\n3 s LU", "quietest\n3 s LU",
                f"{loud}\ngain dB", f"{open_}\ngain dB"]  # fmt: skip
    table = _plain(headings, 1)
    for group in player_groups(compared.pair):
        ids = list(group.profiles[:MOST_IDS])
        more = len(group.profiles) - len(ids)
        ids += [f"same on {counted(more, 'other')}"] if more else []
        table.add_row(", ".join(ids), *group.gaps, *group.gains)
    return table


def _plain(headings: Sequence[str], words: int) -> Table:
    """A table without margins; the first `words` columns hold text, the others figures."""
    table = grid(headings, [place >= words for place in range(len(headings))])
    table.show_edge, table.collapse_padding = False, True
    return table


def _show_curves(out: Readout, compared: Compared) -> None:
    """Short-term loudness as played, a line a version, on one scale and in the open version's time."""
    versions = compared.versions
    curves: list[tuple[int, list[float | None]]] = []
    seconds = compared.pair.played[0].open.delivered.duration_s
    for place in [versions.loud, versions.open, *versions.further]:
        played = versions.all[place].predictions[0].played
        curves.append((place, on_clock(short_term_curve(played, compared.aligned(place)), seconds)))
    known = [value for _, curve in curves for value in curve if value is not None]
    width = out.width - NAMES_WIDTH - 24
    if not known or width < LEAST_CURVE:
        return
    quiet = [compared.figures(place, 0).quietest_passage_lufs for place, _ in curves]
    high, low = max(known), min([value for value in quiet if value is not None] or [min(known)]) - 2.0
    notes = ["loudness as played", f"{level(low, 0)} to {level(high, 0)} LUFS"]
    for number, (place, curve) in enumerate(curves):
        drawn = sparkline(curve, low, high, min(width, 60), blocks=out.blocks)
        name = shortened(versions.all[place].name, NAMES_WIDTH)
        note = notes[number] if number < len(notes) else ""
        out.line(f"{name:<{NAMES_WIDTH}} {drawn}  {note}".rstrip(), style=versions.style(place))


def _show_detail(out: Readout, compared: Compared, roles: Sequence[Said]) -> None:
    """Everything: as delivered, the difference signal, every player."""
    overall, found, names = compared.overall, compared.pair, compared.versions.names
    closing = ("open_quiet", "caution", "caution_ears")
    first = ("alignment", "no_difference", "mono", "passages", "passages_shared")
    out.line()
    out.sentences(
        one.text for one in [*roles, *compared.more, *overall] if one.rule in (*first, "roles", "further")
    )
    if compared.further:
        for place, played in enumerate(found.played):
            out.heading(f"All versions on {played.profile.title} ({played.profile.id})")
            out.table(_versions_table(out, compared, place, every=True))
    out.heading(f"As delivered: {names.loud} against {names.open}")
    out.table(_state_table(out, compared, None))
    difference = found.difference
    if difference is not None and difference.gain_riding_lu is not None:
        out.heading("Difference signal (null test), LU relative to the open version")
        table = _plain(["band", "total", "gain movement", "waveform change"], 1)
        for cells in residual_rows(difference):
            table.add_row(*cells)
        out.table(table)
    out.line()
    texts = [place_text(found.alignment), "" if difference is None else tonal_text(difference)]
    out.sentences(text for text in texts if text)
    out.sentences(one.text for one in overall if one.rule not in (*first, *closing))
    if found.audibility is not None:
        out.heading("Where the difference is likely to be heard")
        out.paragraph(f"{audibility_answer(found.audibility)} {CAVEAT}")
        out.sentences(moment_line(one) for one in found.audibility.worst(MOST_MOMENTS))
    for place, (played, said) in enumerate(zip(found.played, compared.by_player, strict=True)):
        out.heading(f"{played.profile.title} ({played.profile.id})")
        out.paragraph(played.profile.sentence)
        out.table(_state_table(out, compared, place))
        out.line()
        out.sentences(one.text for one in said)
    out.line()
    out.sentences(one.text for one in overall if one.rule in closing)


def _state_table(out: Readout, compared: Compared, player: int | None) -> Table:
    """Every figure of the pair in one state, with the difference."""
    names, versions = compared.versions.names, compared.versions
    width = (min(out.width, 120) - LABELS_WIDTH - GAP_WIDTH) // 2 - 2
    headings = ["", "", *(_heading(name, "", width) for name in (names.loud, names.open)), "difference"]
    table = _plain(headings, 2)
    columns = [compared.figures(place, player) for place in (versions.loud, versions.open)]
    for row in figure_rows(columns, every=True):
        if player is not None or row.label != GAIN:
            table.add_row(row.label, row.unit, row.cell(0), row.cell(1), row.gap(0, 1))
    return table
