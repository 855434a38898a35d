"""`fairhearing votes`: a client's blind-vote answers and comments, into the session file."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import amount_options, figure_option, warn
from simulator.common.text import visible

if TYPE_CHECKING:
    from simulator.cli.output import Amount


@click.command("votes")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--session",
    type=click.Path(dir_okay=False, path_type=Path),
    default=None,
    metavar="FILE",
    help="The session file. Default: the one that contains the page, looked up beside the answer, in this "
    "folder, and among the sessions of bare files.",
)
@figure_option("Draw all listeners of the page.")
@click.option("--record", "session_by_its_former_name", type=click.Path(path_type=Path), hidden=True)
@amount_options
def command(
    files: tuple[Path, ...],
    session: Path | None,
    figures: tuple[Path, ...],
    force: bool,
    session_by_its_former_name: Path | None,
    amount: Amount,
) -> int:
    """Adds a client's blind-vote answers and comments to the session file.

    FILES are the small files that the page saves, or mails as .eml, HTML or text. A file may contain any
    number of answers. Without FILES, the votes in --session are shown.

    An answer counts only if it is complete and belongs to a page of that session. The session file also
    keeps whether the names had been seen before the vote. Several listeners of one page are shown together,
    with one exact sum. A comment becomes a mark, which the listening prompt lists and goes to.
    """
    from simulator.cli.output import Readout
    from simulator.cli.steps.votes import sums, take_votes
    from simulator.common.errors import ExitCode, SimulatorError, UsageError
    from simulator.storage.writing import check_pictures, save_picture
    from simulator.text.charts.style import STYLE
    from simulator.text.charts.votes import votes_figure
    from simulator.text.votes import sum_answer, sum_sentences, sum_table

    record = session or session_by_its_former_name
    if not files and record is None:
        raise UsageError(
            "Give the files with the answers, or a session.", "Example: fairhearing votes vote.txt"
        )
    check_pictures(figures, force)
    outcomes = [outcome for file in files for outcome in take_votes(file, record)]
    problems = [outcome for outcome in outcomes if isinstance(outcome, SimulatorError)]
    for problem in problems:
        warn(f"{problem.message}\n  {problem.hint}".rstrip())
    taken = [outcome for outcome in outcomes if not isinstance(outcome, SimulatorError)]
    failed = len(problems)
    pages = [one.vote_of for one in taken if one.vote_of is not None]
    listener_sums = sums(pages, None if files else record)
    readout = Readout(amount)
    for each in listener_sums:
        readout.answer(*sum_answer(each))
        if not readout.quiet:
            readout.table(sum_table(each))
            readout.sentences(sum_sentences(each))
    for one in taken if not (readout.quiet and listener_sums) else ():
        for line in one.shown(summed=bool(listener_sums) and not readout.detail)[
            : 1 if readout.quiet else None
        ]:
            click.echo(visible(line))
    if not files and not listener_sums:
        raise UsageError(f"{record}: no page with votes of several listeners.", "Add them: votes MAIL")
    for number, each in enumerate(listener_sums, 1):
        for file in figures:
            path = file if len(listener_sums) == 1 else file.with_stem(f"{file.stem}-{number}")
            save_picture(path, partial(votes_figure, each), STYLE, force)
            readout.line(f"{path}: {len(each.listeners)} listeners")
    if figures and not listener_sums:
        warn("No picture: it needs the votes of several listeners to one page.")
        failed += 1
    if not failed:
        return 0
    return ExitCode.SOME_FAILED if taken else ExitCode.NOTHING_DONE
