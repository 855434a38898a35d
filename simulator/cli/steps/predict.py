"""How `predict` shows what players do: the answer, one table, and with --detail a block for each player."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulator.common.errors import UsageError
from simulator.common.text import level, printed_gap, signed, whole_number
from simulator.normalizer.prediction import Prediction
from simulator.playlists.playlist import title_from_path
from simulator.text.comparison.table import choose_versions, pair_rows
from simulator.text.players import (
    Matrix,
    PlayerRow,
    integrated,
    limited_words,
    tracks_answer,
    versions_answer,
)
from simulator.text.sentences import Version, pair_sentences
from simulator.text.short_names import short_names
from simulator.text.tables import PEAKS_NOTE, grid, peak_cells, peak_columns, shortened

if TYPE_CHECKING:
    from rich.table import Table

    from simulator.cli.output import Readout
    from simulator.cli.steps.prepare import Predictions, PreparedPlaylist
    from simulator.engine.predict import MeasuredTrack

LONGEST_TITLE = 40
SHORT_TITLE = 18
MOST_DRAWN = 6
"""Tracks in one picture; more could not be told apart."""
LONGEST_VERSION = 16
ALIKE = "+N: N more with the same figures."
NOT_VERSIONS = (
    "Their loudness curves do not match, so they are not compared as versions of one song. If they are, give "
    "both the same song key in a playlist."
)
HEIGHT = 24
"""Lines of the smallest terminal; the answer and the matrix leave the last one for the prompt."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What is shown side by side: the places of the versions of one song, or of all tracks (`versions` is
    then False), their names and terminal styles, and which one the others are compared with."""

    places: tuple[int, ...]
    names: tuple[str, ...]
    styles: tuple[str, ...]
    against: int
    versions: bool


def choose_shown(tracks: Sequence[MeasuredTrack], against: str | None, names: str | None) -> Shown:
    """The versions of the first song with two, else all measurable tracks. `names` are the versions' own,
    with commas; `against` is a name, a file's name or a number. Raises UsageError where they do not fit."""
    places = choose_versions([(track.track, track.measurement) for track in tracks])
    versions = bool(places)
    if not versions:
        places = tuple(place for place, one in enumerate(tracks) if one.measurement is not None)
    titles = [tracks[place].track.title for place in places]
    called = short_names(titles, LONGEST_VERSION if versions else LONGEST_TITLE)
    if names is not None:
        given = tuple(shortened(name.strip(), LONGEST_VERSION) for name in names.split(","))
        if len(given) != len(places) or not all(given) or len(set(given)) < len(given):
            raise UsageError(
                f"--names {names}: {len(places)} different names are needed, got {len(given)}.",
                "Give one name for each version, in order, with commas between them.",
            )
        called = given
    measured = [tracks[place].measurement for place in places]
    levels = [0.0 if one is None else one.integrated_lufs or 0.0 for one in measured]
    held = 0
    if against is not None:
        if not versions:
            raise UsageError("--against needs two versions of one song.", "Leave it out.")
        number = whole_number(against)
        paths = [title_from_path(tracks[place].track.path) for place in places]
        words = [called, titles, paths, [tracks[place].track.path for place in places]]
        found = [row.index(against) for row in map(list, words) if against in row]
        if not found and (number is None or not 1 <= number <= len(places)):
            raise UsageError(
                f"--against {against}: not one of the versions.",
                f"Use one of {', '.join(called)}, or a number from 1 to {len(places)}.",
            )
        held = found[0] if found else (number or 1) - 1
    elif versions and len(places) == 2:  # as `compare` does: the louder one against the other
        held = levels.index(min(levels))
    styles = [""] * len(places)
    if versions and max(levels) - min(levels) >= 0.1:
        styles[levels.index(max(levels))], styles[levels.index(min(levels))] = "loud", "open"
    return Shown(places, called, tuple(styles), held, versions)


def player_rows(ready: PreparedPlaylist, shown: Shown) -> list[PlayerRow]:
    """What each player makes of what is shown."""
    rows = []
    for profile, predictions in ready.by_player():
        versions: list[Version | None] = []
        for place, name in zip(shown.places, shown.names, strict=True):
            prediction, measured = predictions[place], ready.tracks[place].measurement
            if isinstance(prediction, Prediction) and measured is not None:
                versions.append(Version(name, measured, prediction))
            else:
                versions.append(None)
        rows.append(PlayerRow(profile, tuple(versions)))
    return rows


def show(out: Readout, ready: PreparedPlaylist, shown: Shown, *, reasons: bool) -> None:
    """The whole screen of `predict`."""
    rows = player_rows(ready, shown)
    used = out.answer(answer(ready, shown, rows))
    if out.quiet:
        return
    if len(ready.profiles) == 1:
        out.table(track_table(ready, shown, out.width))
    elif shown.versions:
        show_matrix(out, ready, shown, rows, used)
    else:
        table = _players_table(rows, out.width)
        out.table(table)
        if table.row_count < len(rows):
            out.line(f"{ALIKE} More: --detail", style="soft")
    if by_tag := _gained_by_tag(ready):
        out.paragraph(by_tag)
    if not shown.versions and len(shown.places) == 2:
        out.paragraph(NOT_VERSIONS)
    if out.detail:
        show_detail(out, ready, shown, rows)
    elif reasons:
        show_reasons(out, ready)


def _gained_by_tag(ready: PreparedPlaylist) -> str:
    """On which players tracks get their gain from loudness tags; empty for none."""
    counts = {
        profile.id: sum(
            isinstance(one, Prediction) and one.decision.gain_from != "measurement" for one in row
        )
        for profile, row in ready.by_player()
    }
    trusting = [profile for profile, count in counts.items() if count]
    if not trusting:
        return ""
    most = max(counts.values())
    tracks = "one track" if most == 1 else f"{most} tracks"
    return f"Gain by loudness tags in the files, not by measurement: {tracks} on {', '.join(trusting)}."


def show_detail(out: Readout, ready: PreparedPlaylist, shown: Shown, rows: Sequence[PlayerRow]) -> None:
    """Every figure and sentence, player by player, and the reason for every gain."""
    for number, (profile, predictions) in enumerate(ready.by_player()):
        out.heading(f"{profile.title} ({profile.id})")
        out.paragraph(profile.sentence)
        versions = rows[number].versions
        first = versions[shown.against] if shown.versions else None
        for place, second in enumerate(versions):
            if first is None or second is None or place == shown.against:
                continue
            table = grid(["", "", first.name, second.name, "difference"], [False, False, True, True, True])
            for line in pair_rows(first, second):
                table.add_row(*line)
            out.table(table)
            out.sentences(pair_sentences(first, second, profile))
        if len(ready.profiles) > 1 and (not shown.versions or len(ready.tracks) > len(shown.places)):
            out.line()
            out.table(track_table(ready, shown, out.width, number))
        _delivery(out, ready.tracks, predictions)
    show_reasons(out, ready)


def show_reasons(out: Readout, ready: PreparedPlaylist) -> None:
    """The reason for every gain, player by player."""
    for profile, predictions in ready.by_player():
        out.heading(f"Reasons: {profile.title} ({profile.id})")
        for number, prediction in enumerate(predictions, 1):
            if isinstance(prediction, Prediction):
                out.paragraph(prediction.decision.reason, bullet=f"{number:>3}. ")


def answer(ready: PreparedPlaylist, shown: Shown, rows: Sequence[PlayerRow]) -> str:
    """One to three sentences."""
    delivered = [one for place in shown.places if (one := ready.tracks[place].measurement) is not None]
    if not delivered:
        return ""
    return (versions_answer if shown.versions else tracks_answer)(shown.names, delivered, rows)


def show_matrix(
    out: Readout, ready: PreparedPlaylist, shown: Shown, rows: Sequence[PlayerRow], used: int
) -> None:
    """Players by versions; `used` are the lines already on the screen."""
    made = Matrix(shown.names, rows, shown.against, shown.styles, out.width)
    lines = made.lines()
    notes = []
    if len(made.rows) < len(rows):
        notes.append(ALIKE)
    if any("*" in line.plain for line in lines):
        notes.append("* limited.")
    if len(shown.names) > 2:
        notes.append(f"Loudest 3 s: LU vs {shown.names[shown.against]}.")
    others = len(ready.tracks) - len(shown.places)
    if not out.detail:
        notes.append(f"More{f' ({others} other tracks)' if others > 1 else ''}: --detail")
    if used + len(lines) + 2 < HEIGHT:
        out.line()
    for line in lines:
        out.line(line)
    out.line(" ".join(notes), style="soft")


def track_table(ready: PreparedPlaylist, shown: Shown, width: int, place: int = 0) -> Table:
    """Every track through one player, a line each; the versions with their difference."""
    predictions = ready.predictions[place]
    apart = shown.versions
    heads = ["", "track", "file\nLUFS", "gain\ndB", "played\nLUFS"]
    if apart:
        heads.append(f"vs {shortened(shown.names[shown.against], 8)}\nLU")
    heads += ["loudest\n3 s", "peak\ndBTP", "limited"]
    held = predictions[shown.places[shown.against]] if apart else None
    base = integrated(held.played) if isinstance(held, Prediction) else None
    lines = []
    for number, (one, found) in enumerate(zip(ready.tracks, predictions, strict=True), 1):
        version = shown.places.index(number - 1) if apart and number - 1 in shown.places else None
        title = one.track.title if version is None else shown.names[version]
        cells = [
            str(number),
            title,
            level(None if one.measurement is None else one.measurement.integrated_lufs),
        ]
        if isinstance(found, Prediction) and one.measurement is not None:
            cells += [signed(found.decision.gain_db), level(found.played.integrated_lufs)]
            if apart:
                other = version is not None and version != shown.against
                cells.append(signed(printed_gap(integrated(found.played), base)) if other else "")
            cells += [level(found.played.max_short_term_lufs), signed(found.played.true_peak_dbtp)]
            cells.append(limited_words(found))
        else:
            cells += ["–"] * (5 if apart else 4)
            cells.append("not read" if one.measurement is None else "not played")
        lines.append((cells, "" if version is None else shown.styles[version]))
    return _fitted(heads, [cells for cells, _ in lines], width, [style for _, style in lines])


NARROW = ("peak\ndBTP", "gain\ndB", "turned\ndown", "turned\nup", "limited", "loudest\n3 s", "quietest\nLUFS")
"""Columns that a narrow terminal goes without, in this order."""
SHORTEST_TITLE = 12


def _fitted(heads: list[str], rows: list[list[str]], width: int, styles: Sequence[str] = ()) -> Table:
    """A table in which the name, the first column with a head, gets the width that the others leave."""
    from rich.cells import cell_len
    from rich.text import Text

    name = next(at for at, head in enumerate(heads) if head)
    kept = list(range(len(heads)))
    wide = [
        max(cell_len(text) for text in [*heads[at].split("\n"), *(row[at] for row in rows)]) for at in kept
    ]
    for head in NARROW:
        if sum(wide[at] + 2 for at in kept) - wide[name] + min(wide[name], SHORTEST_TITLE) <= width:
            break
        kept = [at for at in kept if heads[at] != head]
    room = max(SHORTEST_TITLE, width - sum(wide[at] + 2 for at in kept if at != name))
    left = [at == name or heads[at] == "limited" for at in kept]
    table = grid([heads[at] for at in kept], [not one for one in left])
    # two spaces between columns and no blank lines around: a table of 17 players fits a small terminal
    table.show_edge, table.padding = False, (0, 1, 0, 0)
    for row, style in zip(rows, styles or [""] * len(rows), strict=True):
        cells = {at: Text(row[at], "look" if heads[at] == "limited" else "") for at in kept}
        cells[name] = Text(shortened(row[name], room), style)
        table.add_row(*cells.values())
    return table


def _players_table(rows: Sequence[PlayerRow], width: int) -> Table:
    """Several players for tracks that are not versions of one song: a line for each different result."""
    single = len(rows[0].versions) == 1
    heads = ["player", "turned\ndown", "turned\nup", "limited", "quietest\nLUFS", "loudest\nLUFS", "span\nLU"]
    if single:
        heads = ["player", "gain\ndB", "played\nLUFS", "loudest\n3 s", "peak\ndBTP", "limited"]
    shared: dict[tuple[str, ...], list[str]] = {}
    for row in rows:
        cells = _single_cells(row) if single else _span_cells(row)
        shared.setdefault(tuple(cells), []).append(row.profile.id)
    lines = [
        [players[0] + (f" +{len(players) - 1}" if len(players) > 1 else ""), *cells]
        for cells, players in shared.items()
    ]
    return _fitted(heads, lines, width)


def _single_cells(row: PlayerRow) -> list[str]:
    (one,) = row.versions
    if one is None:
        return ["–"] * 4 + ["not played"]
    played = one.prediction.played
    return [
        signed(one.prediction.decision.gain_db),
        level(played.integrated_lufs),
        level(played.max_short_term_lufs),
        signed(played.true_peak_dbtp),
        limited_words(one.prediction),
    ]


def _span_cells(row: PlayerRow) -> list[str]:
    good = [version.prediction for version in row.versions if version is not None]
    gains = [round(one.decision.gain_db, 1) for one in good]
    levels = [value for value in row.played(integrated) if value is not None]
    held = sum(limited_words(one) not in ("", "no target") for one in good)
    low, high = (min(levels), max(levels)) if levels else (None, None)
    counts = [sum(gain < 0.0 for gain in gains), sum(gain > 0.0 for gain in gains), held]
    return [*map(str, counts), level(low), level(high), level(printed_gap(high, low))]


def _delivery(out: Readout, tracks: Sequence[MeasuredTrack], predictions: Predictions) -> None:
    """The peaks after each step of a delivery; nothing where the profile delivers the master itself."""
    good = [prediction if isinstance(prediction, Prediction) else None for prediction in predictions]
    columns = peak_columns(good)
    if not columns:
        return
    names = ["master", *(name.replace(" at ", "\nat ") for name in columns), "as played"]
    table = grid(["#", "Track", *names], [True, False, *[True] * len(names)])
    for number, (one, prediction) in enumerate(zip(tracks, good, strict=True), 1):
        if prediction is not None and one.measurement is not None:
            title = shortened(one.track.title, SHORT_TITLE)
            table.add_row(str(number), title, *peak_cells(columns, one.measurement, prediction))
    out.table(table)
    out.paragraph(PEAKS_NOTE)
