"""`fairhearing measure`: figures of files, nothing decided."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import click

from simulator.cli.options import cache_options, most_workers, open_store, refuse_both, say_problems
from simulator.cli.output import print_csv, print_json
from simulator.common.text import visible

if TYPE_CHECKING:
    from simulator.common.errors import SimulatorError
    from simulator.engine.measure import Result
    from simulator.metering.measurement import Measurement
    from simulator.playlists.playlist import Track

COLUMNS_AT_ONCE = 3
MOST_COLUMNS = 12
"""More files than that are a catalogue: a line each."""


@click.command("measure")
@click.argument("files", nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="A list with every figure, unrounded.")
@click.option("--csv", "as_csv", is_flag=True, help="A line a file, unrounded.")
@click.option(
    "--ceiling",
    type=click.FloatRange(-60.0, 20.0),
    default=0.0,
    show_default=True,
    metavar="DBTP",
    help="The level above which the wave counts as over.",
)
@cache_options
def command(
    files: tuple[str, ...],
    as_json: bool,
    as_csv: bool,
    ceiling: float,
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Measures FILES (audio files, folders or playlists; the word demo is the demo's playlist).

    By ITU-R BS.1770-5, EBU Tech 3341 and Tech 3342. Exit code 1: some files could not be read.
    """
    from simulator.cli.output import steps
    from simulator.common.errors import ExitCode, NothingDoneError, SimulatorError
    from simulator.engine.measure import Job, do_all
    from simulator.engine.playlists import read_arguments

    refuse_both("--json", "--csv", as_json and as_csv)
    tracks = read_arguments(files).tracks
    store = open_store(no_cache, rehash)
    readable = [track for track in tracks if not track.problem]
    try:
        with steps("Measuring", len(readable)) as step:
            done = iter(
                do_all([Job(track.path, ceiling) for track in readable], store, most_workers(workers), step)
            )
    finally:
        store.close()
    results: list[Result | SimulatorError] = [
        SimulatorError(f"{track.path}: {track.problem}") if track.problem else next(done) for track in tracks
    ]
    if as_json or as_csv:
        _data(tracks, results, as_json)
    else:
        _tables(tracks, results)
    failed = sum(isinstance(result, SimulatorError) for result in results)
    if failed == len(results):
        if as_json or as_csv:
            return NothingDoneError.exit_code
        raise NothingDoneError("No file could be measured.", "See the messages above.")
    return ExitCode.SOME_FAILED if failed else ExitCode.DONE


def _data(tracks: tuple[Track, ...], results: list[Result | SimulatorError], as_json: bool) -> None:
    from simulator.common.errors import SimulatorError
    from simulator.text.json_form import error_object, measurement_object

    objects = [
        error_object(track.path, str(result))
        if isinstance(result, SimulatorError)
        else measurement_object(track.path, result.measurement)
        for track, result in zip(tracks, results, strict=True)
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


def _tables(tracks: tuple[Track, ...], results: list[Result | SimulatorError]) -> None:
    from rich.console import Console

    from simulator.common.errors import SimulatorError
    from simulator.text.tables import file_line, grid, measure_rows

    console = Console(highlight=False, markup=False)
    good = [
        (track, result.measurement)
        for track, result in zip(tracks, results, strict=True)
        if not isinstance(result, SimulatorError)
    ]
    if len(good) > MOST_COLUMNS:
        _catalogue(good, console.width)
        good = []
    for first in range(0, len(good), COLUMNS_AT_ONCE):
        part = good[first : first + COLUMNS_AT_ONCE]
        headings = ["", "", *[visible(os.path.basename(track.path)) for track, _ in part]]
        table = grid(headings, [False, False, *[True] * len(part)])
        for row in measure_rows([found for _, found in part]):
            table.add_row(*row)
        console.print(table)
        for track, found in part:
            notes = " ".join(note.text for note in found.warnings)
            console.print(f"{visible(os.path.basename(track.path))}: {file_line(found)}. {notes}".rstrip())
        console.print()
    say_problems(result for result in results if isinstance(result, SimulatorError))


def _catalogue(good: list[tuple[Track, Measurement]], width: int) -> None:
    """A line a file, then what is to be said, once for all files that it is true of."""
    from simulator.text.tables import catalogue, catalogue_key

    names = [(visible(os.path.basename(track.path)), found) for track, found in good]
    click.echo("\n".join(catalogue(names, width)))
    click.echo(f"\n{catalogue_key()}")
    of_note: dict[str, list[str]] = {}
    for name, found in names:
        for note in found.warnings:
            of_note.setdefault(note.text, []).append(name)
    for text, concerned in of_note.items():
        files = f"{len(concerned)} files" if len(concerned) > 3 else ", ".join(concerned)
        click.echo(f"{files}: {text}")
