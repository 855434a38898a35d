"""`fairhearing measure`: figures of files, nothing decided."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from simulator.cli.options import CacheOptions, amount_options, cache_options, refuse_both, say_problems
from simulator.cli.output import Amount, print_csv, print_json
from simulator.common.text import visible

if TYPE_CHECKING:
    from simulator.cli.output import Readout
    from simulator.delivery.album import AlbumLevel
    from simulator.engine.predict import MeasuredTrack
    from simulator.metering.measurement import Measurement
    from simulator.playlists.playlist import Playlist
    from simulator.text.measured import Tags

LONGEST_ALONE = 48
"""Characters of the name of a single file; of several, each column is narrower."""


@click.command("measure")
@click.argument("files", nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="Print JSON (every figure, unrounded).")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV (one row per file, unrounded).")
@click.option(
    "--over-above",
    type=click.FloatRange(-60.0, 20.0),
    default=0.0,
    show_default=True,
    metavar="DBTP",
    help="True peaks above this level count as inter-sample overs.",
)
@click.option("--album", "as_album", is_flag=True, help="Measure the files as one album too.")
@click.option("--ceiling", "over_above_before", type=click.FloatRange(-60.0, 20.0), hidden=True)
@amount_options
@cache_options
def command(
    files: tuple[str, ...],
    as_json: bool,
    as_csv: bool,
    over_above: float,
    as_album: bool,
    over_above_before: float | None,
    amount: Amount,
    cache: CacheOptions,
) -> int:
    """Measure FILES: audio files, folders, playlists, or the word demo.

    By ITU-R BS.1770-5, EBU Tech 3341 and Tech 3342. More files than fit side by side get a line each. An
    album that the playlist names, or --album, is measured as one programme too.
    Exit code 1: some files could not be read.
    """
    from simulator.cli.output import steps
    from simulator.common.errors import ExitCode, NothingDoneError
    from simulator.engine.playlists import read_arguments
    from simulator.engine.predict import measure_tracks

    refuse_both("--json", "--csv", as_json and as_csv)
    above = over_above if over_above_before is None else over_above_before
    playlist = read_arguments(files)
    readable = sum(not track.problem for track in playlist.tracks)
    with cache.store() as store, steps("Measuring", readable, cache.kept) as step:
        tracks = measure_tracks(playlist, store, cache.workers, step, over_above_dbtp=above)
    albums = _albums(playlist, tracks, as_album)
    if as_json or as_csv:
        _data(tracks, albums, as_json)
    else:
        say_problems(track.problem for track in tracks)
        _show(tracks, albums, above, amount)
    failed = sum(track.measurement is None for track in tracks)
    if failed == len(tracks):
        if as_json or as_csv:
            return NothingDoneError.exit_code
        raise NothingDoneError("No file could be measured.", "See the messages above.")
    return ExitCode.SOME_FAILED if failed else ExitCode.DONE


def _albums(playlist: Playlist, tracks: Sequence[MeasuredTrack], as_album: bool) -> dict[int, AlbumLevel]:
    """By place, for the tracks of albums of two and more."""
    from simulator.delivery.album import album_level
    from simulator.playlists.playlist import album_places

    measured = {place: one.measurement for place, one in enumerate(tracks) if one.measurement is not None}
    groups: dict[str, list[int]] = {}
    for place, album in album_places(playlist, measured, as_album=as_album).items():
        groups.setdefault(album, []).append(place)
    levels = {}
    for album, places in groups.items():
        if len(places) > 1:
            members = [(playlist.tracks[place].title, measured[place]) for place in places]
            levels.update(dict.fromkeys(places, album_level(album or "Album", members)))
    return levels


def _data(tracks: Sequence[MeasuredTrack], albums: dict[int, AlbumLevel], as_json: bool) -> None:
    from simulator.text.json_form import error_object, measurement_object

    objects = [
        error_object(one.track.path, str(one.problem))
        if one.measurement is None
        else measurement_object(one.track.path, one.measurement, one.tags, albums.get(place))
        for place, one in enumerate(tracks)
    ]
    if as_json:
        print_json(objects)
    else:
        print_csv([_flat(row) for row in objects])


def _flat(row: dict[str, Any]) -> dict[str, Any]:
    """Lists as words in one cell: their numbers, or the codes of what they hold."""
    return {
        key: " ".join(item["code"] if isinstance(item, dict) else repr(item) for item in value)
        if isinstance(value, list)
        else value
        for key, value in row.items()
    }


def _show(
    tracks: Sequence[MeasuredTrack], albums: dict[int, AlbumLevel], over_above: float, amount: Amount
) -> None:
    from simulator.cli.output import Readout
    from simulator.playlists.playlist import title_from_path
    from simulator.text.findings import album_words
    from simulator.text.measured import LABEL_WIDTH, answer, catalogue, catalogue_key
    from simulator.text.short_names import LONGEST_NAME, short_names

    measured = [(track.track.path, track.measurement) for track in tracks if track.measurement is not None]
    tags = [track.tags for track in tracks if track.measurement is not None]
    if not measured:
        return
    out = Readout(amount)
    longest = LONGEST_NAME if len(measured) > 1 else LONGEST_ALONE
    names = short_names([visible(title_from_path(path)) for path, _ in measured], longest)
    files = list(zip(names, [measurement for _, measurement in measured], strict=True))
    out.answer(answer(files, over_above))
    if out.quiet:
        return
    out.line()
    at_once = max(1, (out.width - LABEL_WIDTH) // (max(7, *(len(name) for name in names)) + 2))
    if len(files) > at_once and not out.detail:
        out.line("\n".join(catalogue(files, tags, out.width)))
        out.line(f"\n{catalogue_key(tags)}")
    else:
        _columns(out, files, tags, at_once)
    for album in dict.fromkeys(albums.values()):
        out.paragraph(album_words(album))
    _notes(out, files)


def _columns(out: Readout, files: Sequence[tuple[str, Measurement]], tags: Tags, at_once: int) -> None:
    """A column a file, `at_once` side by side; under them each file's loudness over time."""
    from simulator.text.measured import curve, file_line, measure_rows
    from simulator.text.tables import grid

    for first in range(0, len(files), at_once):
        part = files[first : first + at_once]
        table = grid(["", "", *[name for name, _ in part]], [False, False, *[True] * len(part)])
        table.show_edge, table.padding = False, (0, 1, 0, 0)
        for row in measure_rows([measurement for _, measurement in part], tags[first : first + at_once]):
            table.add_row(*row)
        out.table(table)
        if at_once < len(files):
            out.line()
    longest = max(len(name) for name, _ in files)
    for name, measurement in files:
        line = file_line(measurement)
        room = min(32, out.width - longest - len(line) - 4)
        shape = f"{curve(measurement, room, blocks=out.blocks)}  " if len(files) > 1 and room >= 16 else ""
        out.line(f"{name:<{longest}}  {shape}{line}")


def _notes(out: Readout, files: Sequence[tuple[str, Measurement]]) -> None:
    """What should be known of the figures, once for all files that it is true of."""
    of_note: dict[str, list[str]] = {}
    for name, measurement in files:
        for note in measurement.warnings:
            of_note.setdefault(note.text, []).append(name)
    for text, concerned in of_note.items():
        who = f"{len(concerned)} files" if len(concerned) > 3 else ", ".join(concerned)
        out.paragraph(f"{who}: {text[:1].lower()}{text[1:]}")
