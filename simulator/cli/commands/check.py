"""`fairhearing check`: whether a master can go out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import (
    amount_options,
    cache_options,
    most_workers,
    open_store,
    refuse_both,
    say_problems,
)
from simulator.cli.output import print_json
from simulator.common.errors import ExitCode
from simulator.common.text import visible

if TYPE_CHECKING:
    from simulator.cli.output import Amount
    from simulator.delivery.finding import Decided, TargetOf
    from simulator.engine.check import Checked
    from simulator.playlists.playlist import Playlist, Track
    from simulator.storage.measurement_cache import Store


@click.command("check")
@click.argument("masters", nargs=-1)
@click.option(
    "--for",
    "profiles",
    multiple=True,
    metavar="ID|FILE|all",
    help="Destination: a player profile with its conversions and codec; comma-separate several. Repeatable.",
)
@click.option("--profile", "hidden_profiles", multiple=True, hidden=True)
@click.option(
    "--decision",
    metavar="FILE[:NAME]",
    help="Target and ceiling: the last decision in a session file, or the last one for destination NAME. A "
    "master whose playlist entry names its decision is held to that one.",
)
@click.option("--target", type=click.FloatRange(-60.0, 0.0), help="Target loudness in LUFS.")
@click.option("--ceiling", type=click.FloatRange(-40.0, 6.0), help="True-peak ceiling in dBTP.")
@click.option("--album", "as_album", is_flag=True, help="Treat the masters as one album, in this order.")
@click.option("--playlist", "hidden_album", is_flag=True, hidden=True)
@click.option(
    "--target-of",
    type=click.Choice(["loudest", "programme", "each"]),
    default="loudest",
    show_default=True,
    help="What has the target on an album: its loudest track, the whole as a programme, or each track.",
)
@click.option(
    "--sheet",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write a delivery sheet (.html, .json or .csv): order, format, levels, decision, checksums.",
)
@click.option(
    "--against",
    type=click.Path(dir_okay=False),
    metavar="SHEET",
    help="Show only what changed since a delivery sheet was written. Without MASTERS: the files beside it.",
)
@click.option("--force", is_flag=True, help="Overwrite an existing sheet.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON (one object per master, unrounded).")
@amount_options
@cache_options
def command(
    masters: tuple[str, ...],
    profiles: tuple[str, ...],
    hidden_profiles: tuple[str, ...],
    decision: str | None,
    target: float | None,
    ceiling: float | None,
    as_album: bool,
    hidden_album: bool,
    target_of: TargetOf,
    sheet: Path | None,
    against: str | None,
    force: bool,
    as_json: bool,
    amount: Amount,
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Report whether MASTERS (audio files, folders, playlists) can go out, and what to change.

    Loudness and peaks against your decision, conversions and codecs, bit depth, channels, edges. The answer
    first, then the one gain change that is enough, if there is one, then what remains. References in a
    playlist are left out. Exit code 3: something to fix; 1: a master or a delivery could not be checked; 4:
    no master could be read.

    \b
    fairhearing check master.wav --target -14 --ceiling -1 --for minus14-opus128
    fairhearing check album/ --album --decision album.session.json:streaming
    fairhearing check album/ --sheet album.html
    """
    from simulator.cli.output import IN_THE_CACHE, steps
    from simulator.cli.steps.prepare import nothing_read
    from simulator.cli.steps.sheet import check_sheet_name
    from simulator.engine.check import check, masters_of
    from simulator.engine.playlists import read_arguments
    from simulator.storage.bundled import load_profiles
    from simulator.storage.writing import refuse_sources

    if against is not None:
        checks = {"--for": profiles or hidden_profiles, "--decision": decision, "--target": target,
                  "--ceiling": ceiling, "--album": as_album or hidden_album, "--sheet": sheet}  # fmt: skip
        for name, value in checks.items():
            refuse_both("--against", name, value not in (None, (), False))
        store = open_store(no_cache, rehash)
        try:
            return _since(masters, against, amount, as_json, store, most_workers(workers))
        finally:
            store.close()
    if not masters:
        raise click.UsageError("Missing argument 'MASTERS...'.")
    if sheet is not None:
        check_sheet_name(sheet, force)
    profiles, as_album = (*profiles, *hidden_profiles), as_album or hidden_album
    chosen = load_profiles(profiles) if profiles else []
    playlist = masters_of(read_arguments(masters))
    if not playlist.tracks:
        raise click.UsageError("No master among these, only references.")
    decided = [
        replace(one, target_of=target_of) for one in _decided(decision, target, ceiling, playlist.tracks)
    ]
    if sheet is not None:
        refuse_sources([sheet], [track.path for track in playlist.tracks])
    store, count = open_store(no_cache, rehash), most_workers(workers)
    kept = "" if no_cache else IN_THE_CACHE
    try:
        with steps("Checking", len(playlist.tracks) * (1 + len(chosen)), kept) as step:
            found = check(
                playlist, chosen, decided, store, count,
                as_album=as_album, checksums=sheet is not None, step=step,
            )  # fmt: skip
    finally:
        store.close()
    nothing = not any(one.findings for one in found)
    if as_json:
        _data(found)
    elif nothing:
        say_problems(one.problem for one in found)
        raise nothing_read()
    else:
        from simulator.cli.output import Readout
        from simulator.cli.steps.check import show_check

        say_problems(one.problem for one in found)
        show_check(Readout(amount), found, chosen)
    if sheet is not None and not nothing:
        _write(sheet, found, playlist, force, as_json)
    if nothing:
        return ExitCode.NOTHING_DONE
    if any(one.problem is not None for one in found):
        return ExitCode.SOME_FAILED
    fix = any(finding.level == "fix" for one in found for finding in one.findings)
    return ExitCode.NEEDS_FIXING if fix else ExitCode.DONE


def _write(sheet: Path, checkeds: list[Checked], playlist: Playlist, force: bool, quiet: bool) -> None:
    """The delivery sheet; none where a master is missing from it. Raises WriteError."""
    from simulator import __version__
    from simulator.cli.steps.page import now
    from simulator.cli.steps.sheet import sheet_of, write_sheet
    from simulator.common.errors import WriteError

    unread = sum(not one.findings for one in checkeds)
    if unread:
        raise WriteError(
            f"{sheet} was not written: {unread} of {len(checkeds)} masters could not be read.",
            "Export them again, or leave them out.",
        )
    write_sheet(sheet, sheet_of(checkeds, playlist, sheet.parent, now(), f"fairhearing {__version__}"), force)
    if not quiet:
        click.echo(f"Delivery sheet: {visible(str(sheet))}")


def _since(
    masters: tuple[str, ...], against: str, amount: Amount, as_json: bool, store: Store, workers: int
) -> int:
    """What has changed since a delivery sheet was written; masters that it lists, and that are gone, are
    missing and no error."""
    from simulator.cli.output import Readout, steps
    from simulator.cli.steps.sheet import (
        change_object,
        masters_beside,
        named_in,
        read_sheet,
        sheet_masters,
        show_changes,
    )
    from simulator.delivery.finding import Decided
    from simulator.delivery.sheet import changes
    from simulator.engine.check import check, masters_of
    from simulator.engine.playlists import read_arguments
    from simulator.playlists.playlist import one_album
    from simulator.text.json_form import error_object

    sheet, folder = read_sheet(against), Path(against).parent
    listed = {master.path for master in sheet.masters}
    tracks = masters_of(read_arguments(masters)).tracks if masters else masters_beside(against, sheet)
    tracks = tuple(
        track for track in tracks if os.path.lexists(track.path) or named_in(folder, track.path) not in listed
    )
    with steps("Comparing", len(tracks)) as step:
        found = check(one_album("", "command", tracks, ""), [], [Decided()] * len(tracks), store, workers,
                      checksums=True, step=step)  # fmt: skip
    unread = [one for one in found if not one.findings]
    there = {named_in(folder, one.track.path) for one in unread}
    told = [
        one
        for one in changes(sheet, sheet_masters(found, folder))
        if one.since != "missing" or one.was is None or one.was.path not in there
    ]
    if as_json:
        errors = [error_object(one.track.path, str(one.problem)) for one in unread]
        print_json([*map(change_object, told), *errors])
    else:
        say_problems(one.problem for one in found)
        show_changes(Readout(amount), told, sheet)
    if unread:
        return ExitCode.SOME_FAILED
    return ExitCode.NEEDS_FIXING if any(one.level == "fix" for one in told) else ExitCode.DONE


def _decided(
    record: str | None, target: float | None, ceiling: float | None, tracks: Sequence[Track]
) -> list[Decided]:
    """For each track, from the session file: the decision that it names, else the one that --decision names,
    else the last; a number that an option gives takes the place of the file's, and says so."""
    from simulator.delivery.finding import Decided

    if record is None:
        return [Decided(target, ceiling)] * len(tracks)
    from simulator.engine.check import read_decisions

    decisions, here = read_decisions(record), "on the command line"
    named = {name: decisions.of(name) for name in dict.fromkeys(track.decision for track in tracks)}
    if target is not None:
        named = {name: replace(one, target_lufs=target, target_said=here) for name, one in named.items()}
    if ceiling is not None:
        named = {name: replace(one, ceiling_dbtp=ceiling, ceiling_said=here) for name, one in named.items()}
    return [named[track.decision] for track in tracks]


def _data(checkeds: list[Checked]) -> None:
    from simulator.text.findings import master_object
    from simulator.text.json_form import error_object

    print_json(
        [
            master_object(
                one.track.path, one.findings, one.move, one.album, one.decided, str(one.problem or "")
            )
            if one.findings
            else error_object(one.track.path, str(one.problem))
            for one in checkeds
        ]
    )
