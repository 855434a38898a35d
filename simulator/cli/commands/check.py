"""`fairhearing check`: is a master ready to go out?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from simulator.cli.options import cache_options, most_workers, open_store, say_problems
from simulator.cli.output import print_json
from simulator.common.errors import ExitCode

if TYPE_CHECKING:
    from simulator.delivery.finding import Decided
    from simulator.engine.check import Checked
    from simulator.normalizer.profile import Profile

HERE = "on the command line"


@click.command("check")
@click.argument("masters", nargs=-1, required=True)
@click.option(
    "--for",
    "profiles",
    multiple=True,
    metavar="ID|FILE|all",
    help="Deliver and play it as this profile does: its conversions, codec and player. May be repeated.",
)
@click.option("--decision", metavar="RECORD", help="Hold it against the last decision in a session's record.")
@click.option("--target", type=click.FloatRange(-60.0, 0.0), help="The decided loudness in LUFS.")
@click.option("--ceiling", type=click.FloatRange(-40.0, 6.0), help="The decided ceiling in dBTP.")
@click.option("--playlist", "as_album", is_flag=True, help="The masters are one album, in this order.")
@click.option("--json", "as_json", is_flag=True, help="A list, one object a master, unrounded.")
@cache_options
def command(
    masters: tuple[str, ...],
    profiles: tuple[str, ...],
    decision: str | None,
    target: float | None,
    ceiling: float | None,
    as_album: bool,
    as_json: bool,
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Checks MASTERS (audio files, folders, playlists) before they are delivered.

    Loudness and peaks against what was decided, conversions and codecs, word length, channels, edges; each
    finding is fine, worth a look, or to fix. References of a playlist are left out. Exit code 3 where
    something is to fix; 1, before that, where a master or a delivery could not be checked; 4 where no
    master could be read.
    """
    from simulator.cli.output import steps
    from simulator.cli.steps.prepare import nothing_read
    from simulator.engine.check import check, masters_of
    from simulator.engine.playlists import read_arguments
    from simulator.storage.bundled import load_profiles

    decided = _decided(decision, target, ceiling)
    chosen = load_profiles(profiles) if profiles else []
    playlist = masters_of(read_arguments(masters))
    if not playlist.tracks:
        raise click.UsageError("There is no master among these: only references.")
    store, count = open_store(no_cache, rehash), most_workers(workers)
    try:
        with steps("Checking", len(playlist.tracks) * (1 + len(chosen))) as step:
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
        _words(found, chosen, decided)
    if nothing:
        return ExitCode.NOTHING_DONE
    if any(one.problem is not None for one in found):
        return ExitCode.SOME_FAILED
    fix = any(finding.level == "fix" for one in found for finding in one.findings)
    return ExitCode.NEEDS_FIXING if fix else ExitCode.DONE


def _decided(record: str | None, target: float | None, ceiling: float | None) -> Decided:
    """From the record; a number that an option names takes the place of the record's, and says so."""
    from dataclasses import replace

    from simulator.delivery.finding import Decided

    if record is None:
        return Decided(target, ceiling, said=HERE)
    from simulator.engine.check import read_decided

    found = read_decided(record)
    if target is not None:
        found = replace(found, target_lufs=target, target_said=HERE)
    if ceiling is not None:
        found = replace(found, ceiling_dbtp=ceiling, ceiling_said=HERE)
    return found


def _words(found: list[Checked], profiles: list[Profile], decided: Decided) -> None:
    from simulator.cli.steps.check import show_decided, show_master
    from simulator.cli.steps.predict import console

    say_problems(one.problem for one in found)
    out = console()
    show_decided(out, decided, profiles)
    for one in found:
        if one.findings:
            show_master(out, one)


def _data(found: list[Checked]) -> None:
    from simulator.text.findings import master_object
    from simulator.text.json_form import error_object

    print_json(
        [
            master_object(one.track.path, one.findings, str(one.problem or ""))
            if one.findings
            else error_object(one.track.path, str(one.problem))
            for one in found
        ]
    )
