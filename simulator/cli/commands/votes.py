"""`fairhearing votes`: a client's blind-vote answers and comments, into the session file."""

from __future__ import annotations

from pathlib import Path

import click

from simulator.cli.options import warn
from simulator.common.text import visible


@click.command("votes")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--session",
    type=click.Path(dir_okay=False, path_type=Path),
    default=None,
    metavar="FILE",
    help="The session file. Default: the one that contains the page, looked up beside the answer, in this "
    "folder, and among the sessions of bare files.",
)
@click.option("--record", "session_by_its_former_name", type=click.Path(path_type=Path), hidden=True)
def command(files: tuple[Path, ...], session: Path | None, session_by_its_former_name: Path | None) -> int:
    """Adds a client's blind-vote answers and comments to the session file.

    FILES are the small files that the page saves, or mails as .eml, HTML or text. A file may contain any
    number of answers.

    An answer counts only if it is complete and belongs to a page of that session. The session file also
    keeps whether the names had been seen before the vote. A comment becomes a mark there, which the
    listening prompt lists and goes to.
    """
    from simulator.cli.steps.votes import take_votes
    from simulator.common.errors import ExitCode, SimulatorError

    taken = failed = 0
    for file in files:
        try:
            for one in take_votes(file, session or session_by_its_former_name):
                if isinstance(one, SimulatorError):
                    failed += 1
                    warn(f"{one.message}\n  {one.hint}".rstrip())
                    continue
                taken += 1
                for line in one:
                    click.echo(visible(line))
        except SimulatorError as problem:
            failed += 1
            warn(f"{problem.message}\n  {problem.hint}".rstrip())
    if not failed:
        return 0
    return ExitCode.SOME_FAILED if taken else ExitCode.NOTHING_DONE
