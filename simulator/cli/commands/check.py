"""`fairhearing check`: whether a master can go out."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from simulator.cli.options import amount_options, cache_options, most_workers, open_store, say_problems
from simulator.cli.output import print_json
from simulator.common.errors import ExitCode

if TYPE_CHECKING:
    from simulator.cli.readout import Amount
    from simulator.delivery.finding import Decided, TargetOf
    from simulator.engine.check import Checked


@click.command("check")
@click.argument("masters", nargs=-1, required=True)
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
    help="Target and ceiling: the last decision in a session file, or the last one for destination NAME.",
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
    """
    from simulator.cli.output import IN_THE_CACHE, steps
    from simulator.cli.steps.prepare import nothing_read
    from simulator.engine.check import check, masters_of
    from simulator.engine.playlists import read_arguments
    from simulator.storage.bundled import load_profiles

    decided = replace(_decided(decision, target, ceiling), target_of=target_of)
    profiles, as_album = (*profiles, *hidden_profiles), as_album or hidden_album
    chosen = load_profiles(profiles) if profiles else []
    playlist = masters_of(read_arguments(masters))
    if not playlist.tracks:
        raise click.UsageError("No master among these, only references.")
    store, count = open_store(no_cache, rehash), most_workers(workers)
    kept = "" if no_cache else IN_THE_CACHE
    try:
        with steps("Checking", len(playlist.tracks) * (1 + len(chosen)), kept) as step:
            found = check(playlist, chosen, decided, store, count, as_album=as_album, step=step)
    finally:
        store.close()
    nothing = not any(one.findings for one in found)
    if as_json:
        _data(found)
    elif nothing:
        say_problems(one.problem for one in found)
        raise nothing_read()
    else:
        from simulator.cli.readout import Readout
        from simulator.cli.steps.check import show_check

        say_problems(one.problem for one in found)
        show_check(Readout(amount), found, decided, chosen)
    if nothing:
        return ExitCode.NOTHING_DONE
    if any(one.problem is not None for one in found):
        return ExitCode.SOME_FAILED
    fix = any(finding.level == "fix" for one in found for finding in one.findings)
    return ExitCode.NEEDS_FIXING if fix else ExitCode.DONE


def _decided(record: str | None, target: float | None, ceiling: float | None) -> Decided:
    """From the session file; a number that an option gives takes the place of the file's, and says so."""
    from simulator.delivery.finding import Decided

    if record is None:
        return Decided(target, ceiling)
    from simulator.engine.check import read_decided

    found, here = read_decided(record), "on the command line"
    if target is not None:
        found = replace(found, target_lufs=target, target_said=here)
    if ceiling is not None:
        found = replace(found, ceiling_dbtp=ceiling, ceiling_said=here)
    return found


def _data(found: list[Checked]) -> None:
    from simulator.text.findings import master_object
    from simulator.text.json_form import error_object

    print_json(
        [
            master_object(one.track.path, one.findings, one.move, one.album, str(one.problem or ""))
            if one.findings
            else error_object(one.track.path, str(one.problem))
            for one in found
        ]
    )
