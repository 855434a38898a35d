"""`fairhearing measure`: figures of files, nothing decided."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from simulator.cli.options import (
    amount_options,
    cache_options,
    most_workers,
    open_store,
    refuse_both,
    say_problems,
)
from simulator.cli.output import Amount, print_csv, print_json
from simulator.common.text import visible

if TYPE_CHECKING:
    from simulator.cli.output import Readout
    from simulator.common.errors import SimulatorError
    from simulator.delivery.album import AlbumLevel
    from simulator.engine.measure import Result
    from simulator.metering.measurement import Measurement
    from simulator.playlists.playlist import Playlist, Track
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
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Measure FILES: audio files, folders, playlists, or the word demo.

    By ITU-R BS.1770-5, EBU Tech 3341 and Tech 3342. More files than fit side by side get a line each. An
    album that the playlist names, or --album, is measured as one programme too.
    Exit code 1: some files could not be read.

    \b
    fairhearing measure MASTER.wav
    fairhearing measure ALBUM/ --csv
    """
    from simulator.audio_files.tags import read_tags
    from simulator.cli.output import IN_THE_CACHE, steps
    from simulator.common.errors import ExitCode, NothingDoneError, SimulatorError
    from simulator.engine.measure import Job, Result, measure_all
    from simulator.engine.playlists import read_arguments

    refuse_both("--json", "--csv", as_json and as_csv)
    above = over_above if over_above_before is None else over_above_before
    playlist = read_arguments(files)
    tracks = playlist.tracks
    store = open_store(no_cache, rehash)
    readable = [track for track in tracks if not track.problem]
    try:
        with steps("Measuring", len(readable), "" if no_cache else IN_THE_CACHE) as step:
            done = iter(
                measure_all(
                    [Job(track.path, above) for track in readable], store, most_workers(workers), step
                )
            )
    finally:
        store.close()
    results: list[Result | SimulatorError] = [
        SimulatorError(f"{track.path}: {track.problem}") if track.problem else next(done) for track in tracks
    ]
    tags = [
        read_tags(track.path) if isinstance(result, Result) else None
        for track, result in zip(tracks, results, strict=True)
    ]
    if as_json or as_csv:
        _data(tracks, results, tags, _albums(playlist, results, as_album), as_json)
    else:
        _tables(tracks, results, tags, _albums(playlist, results, as_album), above, amount)
    failed = sum(isinstance(result, SimulatorError) for result in results)
    if failed == len(results):
        if as_json or as_csv:
            return NothingDoneError.exit_code
        raise NothingDoneError("No file could be measured.", "See the messages above.")
    return ExitCode.SOME_FAILED if failed else ExitCode.DONE


def _albums(
    playlist: Playlist, results: list[Result | SimulatorError], as_album: bool
) -> dict[int, AlbumLevel]:
    """By place, for the tracks of albums of two and more."""
    from simulator.common.errors import SimulatorError
    from simulator.delivery.album import album_level
    from simulator.playlists.playlist import album_places

    found = {place: one for place, one in enumerate(results) if not isinstance(one, SimulatorError)}
    groups: dict[str, list[int]] = {}
    for place, album in album_places(playlist, found, as_album=as_album).items():
        groups.setdefault(album, []).append(place)
    levels = {}
    for album, places in groups.items():
        if len(places) > 1:
            members = [(playlist.tracks[place].title, found[place].measurement) for place in places]
            levels.update(dict.fromkeys(places, album_level(album or "Album", members)))
    return levels


def _data(
    tracks: tuple[Track, ...],
    results: list[Result | SimulatorError],
    tags: Tags,
    albums: dict[int, AlbumLevel],
    as_json: bool,
) -> None:
    from simulator.common.errors import SimulatorError
    from simulator.text.json_form import error_object, measurement_object

    objects = [
        error_object(track.path, str(result))
        if isinstance(result, SimulatorError)
        else measurement_object(track.path, result.measurement, own, albums.get(place))
        for place, (track, result, own) in enumerate(zip(tracks, results, tags, strict=True))
    ]
    if as_json:
        print_json(objects)
    else:
        print_csv([_flat(one) for one in objects])


def _flat(one: dict[str, Any]) -> dict[str, Any]:
    """Lists as words in one cell: their numbers, or the codes of what they hold."""
    return {
        key: " ".join(item["code"] if isinstance(item, dict) else repr(item) for item in value)
        if isinstance(value, list)
        else value
        for key, value in one.items()
    }


def _tables(
    tracks: tuple[Track, ...],
    results: list[Result | SimulatorError],
    tags: Tags,
    albums: dict[int, AlbumLevel],
    over_above: float,
    amount: Amount,
) -> None:
    from simulator.cli.output import Readout
    from simulator.common.errors import SimulatorError
    from simulator.playlists.playlist import title_from_path
    from simulator.text.findings import album_words
    from simulator.text.measured import LABEL_WIDTH, answer, catalogue, catalogue_key
    from simulator.text.short_names import LONGEST_NAME, short_names

    say_problems(result for result in results if isinstance(result, SimulatorError))
    good = [
        (track, result.measurement)
        for track, result in zip(tracks, results, strict=True)
        if not isinstance(result, SimulatorError)
    ]
    if not good:
        return
    out = Readout(amount)
    longest = LONGEST_NAME if len(good) > 1 else LONGEST_ALONE
    names = short_names([visible(title_from_path(track.path)) for track, _ in good], longest)
    files = list(zip(names, [found for _, found in good], strict=True))
    stated = [
        own for own, result in zip(tags, results, strict=True) if not isinstance(result, SimulatorError)
    ]
    out.answer(answer(files, over_above))
    if out.quiet:
        return
    out.line()
    at_once = max(1, (out.width - LABEL_WIDTH) // (max(7, *(len(name) for name in names)) + 2))
    if len(files) > at_once and not out.detail:
        out.line("\n".join(catalogue(files, stated, out.width)))
        out.line(f"\n{catalogue_key(stated)}")
    else:
        _columns(out, files, stated, at_once)
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
        for row in measure_rows([found for _, found in part], tags[first : first + at_once]):
            table.add_row(*row)
        out.table(table)
        if at_once < len(files):
            out.line()
    longest = max(len(name) for name, _ in files)
    for name, found in files:
        line = file_line(found)
        room = min(32, out.width - longest - len(line) - 4)
        shape = f"{curve(found, room, blocks=out.blocks)}  " if len(files) > 1 and room >= 16 else ""
        out.line(f"{name:<{longest}}  {shape}{line}")


def _notes(out: Readout, files: Sequence[tuple[str, Measurement]]) -> None:
    """What should be known of the figures, once for all files that it is true of."""
    of_note: dict[str, list[str]] = {}
    for name, found in files:
        for note in found.warnings:
            of_note.setdefault(note.text, []).append(name)
    for text, concerned in of_note.items():
        who = f"{len(concerned)} files" if len(concerned) > 3 else ", ".join(concerned)
        out.paragraph(f"{who}: {text[:1].lower()}{text[1:]}")
