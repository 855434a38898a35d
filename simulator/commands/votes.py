"""`fairhearing votes`: a client's answers to a page's vote, into the record."""

from __future__ import annotations

from pathlib import Path

import click

from simulator.commands.options import warn
from simulator.plain_text import visible


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
    """Adds the answers in FILES (the small file that the page saved, or the mail as text) to the record.

    An answer counts only if it belongs to a page of that record and is whole. Whether the names had been
    seen before the vote is kept with it.
    """
    from simulator.commands.votes_steps import take_vote
    from simulator.errors import NOTHING_DONE, SOME_FAILED, SimulatorError

    taken = 0
    for file in files:
        try:
            lines = take_vote(file, record)
        except SimulatorError as problem:
            warn(f"{problem.message}\n  {problem.hint}".rstrip())
            continue
        taken += 1
        for line in lines:
            click.echo(visible(line))
    if taken == len(files):
        return 0
    return SOME_FAILED if taken else NOTHING_DONE
