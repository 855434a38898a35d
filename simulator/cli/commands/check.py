"""`fairhearing check`: whether a master can go out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import CacheOptions, amount_options, cache_options, refuse_both, say_problems
from simulator.cli.output import print_json
from simulator.common.errors import ExitCode
from simulator.common.text import visible

if TYPE_CHECKING:
    from simulator.cli.output import Amount
    from simulator.delivery.finding import Decided, TargetOf
    from simulator.engine.check import Checked
    from simulator.playlists.playlist import Playlist, Track


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
    cache: CacheOptions,
) -> int:
    """Report whether MASTERS (audio files, folders, playlists) can go out, and what to change.

    Loudness and peaks against your decision, conversions and codecs, bit depth, channels, edges. The answer
    first, then the one gain change that is enough, if there is one, then what remains. References in a
    playlist are left out. Exit code 3: something to fix; 1: a master or a delivery could not be checked; 4:
    no master could be read.
    """
    from simulator.cli.output import Readout, steps
    from simulator.cli.steps.check import show_check
    from simulator.cli.steps.prepare import nothing_read
    from simulator.cli.steps.sheet import check_sheet_name
    from simulator.engine.check import check, masters_of
    from simulator.engine.playlists import read_arguments
    from simulator.storage.bundled import load_profiles
    from simulator.storage.writing import refuse_sources
    from simulator.text.findings import master_object
    from simulator.text.json_form import error_object

    profiles, as_album = (*profiles, *hidden_profiles), as_album or hidden_album
    if against is not None:
        others = {"--for": profiles, "--decision": decision, "--target": target, "--ceiling": ceiling,
                  "--album": as_album, "--sheet": sheet}  # fmt: skip
        for name, value in others.items():
            refuse_both("--against", name, value not in (None, (), False))
        return _since(masters, against, amount, as_json, cache)
    if not masters:
        raise click.UsageError("Missing argument 'MASTERS...'.")
    if sheet is not None:
        check_sheet_name(sheet, force)
    chosen = load_profiles(profiles) if profiles else []
    playlist = masters_of(read_arguments(masters))
    if not playlist.tracks:
        raise click.UsageError("No master among these, only references.")
    decided = [
        replace(one, target_of=target_of) for one in _decided(decision, target, ceiling, playlist.tracks)
    ]
    if sheet is not None:
        refuse_sources([sheet], [track.path for track in playlist.tracks])
    count = len(playlist.tracks) * (1 + len(chosen))
    with cache.store() as store, steps("Checking", count, cache.kept) as step:
        checked = check(
            playlist, chosen, decided, store, cache.workers,
            as_album=as_album, checksums=sheet is not None, step=step,
        )  # fmt: skip
    read = [one for one in checked if one.findings]
    if as_json:
        print_json([
            master_object(
                one.track.path, one.findings, one.move, one.album, one.decided, str(one.problem or "")
            )
            if one.findings
            else error_object(one.track.path, str(one.problem))
            for one in checked
        ])  # fmt: skip
    else:
        say_problems(one.problem for one in checked)
        if not read:
            raise nothing_read()
        show_check(Readout(amount), checked, chosen)
    if not read:
        return ExitCode.NOTHING_DONE
    if sheet is not None:
        _write(sheet, checked, playlist, force, as_json)
    if any(one.problem is not None for one in checked):
        return ExitCode.SOME_FAILED
    fix = any(finding.level == "fix" for one in read for finding in one.findings)
    return ExitCode.NEEDS_FIXING if fix else ExitCode.DONE


def _write(sheet: Path, checked: list[Checked], playlist: Playlist, force: bool, quiet: bool) -> None:
    """The delivery sheet; none where a master is missing from it. Raises WriteError."""
    from simulator import __version__
    from simulator.cli.steps.sheet import sheet_of, write_sheet
    from simulator.common.errors import WriteError
    from simulator.storage.session_file import now

    unread = sum(not one.findings for one in checked)
    if unread:
        raise WriteError(
            f"{sheet} was not written: {unread} of {len(checked)} masters could not be read.",
            "Export them again, or leave them out.",
        )
    write_sheet(sheet, sheet_of(checked, playlist, sheet.parent, now(), f"fairhearing {__version__}"), force)
    if not quiet:
        click.echo(f"Delivery sheet: {visible(str(sheet))}")


def _since(masters: tuple[str, ...], against: str, amount: Amount, as_json: bool, cache: CacheOptions) -> int:
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
    with cache.store() as store, steps("Comparing", len(tracks)) as step:
        checked = check(one_album("", "command", tracks, ""), [], [Decided()] * len(tracks), store,
                        cache.workers, checksums=True, step=step)  # fmt: skip
    unread = [one for one in checked if not one.findings]
    unread_paths = {named_in(folder, one.track.path) for one in unread}
    shown = [
        change
        for change in changes(sheet, sheet_masters(checked, folder))
        if change.since != "missing" or change.was is None or change.was.path not in unread_paths
    ]
    if as_json:
        errors = [error_object(one.track.path, str(one.problem)) for one in unread]
        print_json([*map(change_object, shown), *errors])
    else:
        say_problems(one.problem for one in checked)
        show_changes(Readout(amount), shown, sheet, against, bool(masters))
    if unread:
        return ExitCode.SOME_FAILED
    return ExitCode.NEEDS_FIXING if any(change.level == "fix" for change in shown) else ExitCode.DONE


def _decided(
    session: str | None, target: float | None, ceiling: float | None, tracks: Sequence[Track]
) -> list[Decided]:
    """For each track, from the session file: the decision that it names, else the one that --decision names,
    else the last; a number that an option gives takes the place of the file's, and says so."""
    from simulator.delivery.finding import Decided
    from simulator.storage.session_file import read_decisions

    if session is None:
        return [Decided(target, ceiling)] * len(tracks)
    decided, here = read_decisions(session).of_each(tracks), "on the command line"
    if target is not None:
        decided = [replace(one, target_lufs=target, target_said=here) for one in decided]
    if ceiling is not None:
        decided = [replace(one, ceiling_dbtp=ceiling, ceiling_said=here) for one in decided]
    return decided
