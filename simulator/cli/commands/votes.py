"""`fairhearing votes`: a client's answers to a page's vote, into the record."""

from __future__ import annotations

from pathlib import Path

import click

from simulator.cli.options import warn
from simulator.common.text import visible


@click.command("votes")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--record",
    type=click.Path(dir_okay=False, path_type=Path),
    default=None,
    help="The session's record. Default: the one that has the page; looked for beside the answer, here, and "
    "among the records of bare files.",
)
def command(files: tuple[Path, ...], record: Path | None) -> int:
    """Adds the answers in FILES to the session file: the small file that the page saved, or a mail, as .eml,
    HTML or text. A file may hold any number of answers.

    An answer counts only if it belongs to a page of that session and is whole. Whether the names had been
    seen before the vote is kept with it.
    """
    from simulator.cli.steps.votes import take_votes
    from simulator.common.errors import ExitCode, SimulatorError

    taken = failed = 0
    for file in files:
        try:
            for one in take_votes(file, record):
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
