"""`fairhearing page`: one HTML file for the client, to listen to, look at and read at home."""

from __future__ import annotations

from pathlib import Path

import click

from simulator.cli.options import CacheOptions, cache_options, profile_option, say_problems, warn
from simulator.common.text import visible


@click.command("page")
@click.argument("inputs", nargs=-1, required=True)
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    help="The HTML file to write.",
)
@profile_option
@click.option(
    "--vote",
    "rounds",
    type=click.IntRange(1, 200),
    default=None,
    metavar="ROUNDS",
    help="Open the page with a blind vote between the versions, of this many rounds.",
)
@click.option(
    "--vote-passage",
    "vote_passages",
    multiple=True,
    metavar="PASSAGE",
    help="The passage of the vote: loudest, quietest, turn, change (where two versions are likely to differ "
    "most), or a mark that --with marks puts on the page. "
    "Comma-separate several; the rounds are spread over them. Default: the first mark, else the loudest.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 60.0),
    default=5.0,
    show_default=True,
    help="Length of each passage.",
)
@click.option(
    "--tracks",
    default=None,
    metavar="NUMBERS",
    help="Tracks to play on the page, such as 1,2,5-7; the others are only shown.",
)
@click.option(
    "--with",
    "named",
    multiple=True,
    metavar="NAMES",
    help="Parts of the session to put on the page, comma-separated: notes, marks, decisions, trials, "
    "findings. Default: none.",
)
@click.option("--engineer", default="", metavar="NAME", help="Your name, as the page signs it.")
@click.option("--force", is_flag=True, help="Overwrite an existing file.")
@cache_options
def command(
    inputs: tuple[str, ...],
    output: Path,
    profiles: tuple[str, ...],
    rounds: int | None,
    vote_passages: tuple[str, ...],
    seconds: float,
    tracks: str | None,
    named: tuple[str, ...],
    engineer: str,
    force: bool,
    cache: CacheOptions,
) -> int:
    """Writes the client's page for INPUTS (audio files, folders, playlists, or the word demo).

    The page is one self-contained file that works offline: passages of every track as played, matched and
    as delivered, with curves and plain words. It describes the first --profile; any others appear in its
    tables. With --vote it opens with a blind vote, and `fairhearing votes` reads the answers.

    Nothing from a session goes onto the page unless you choose it with --with, and the command lists what
    went in. The check's findings use the session's decision only if decisions are included too.
    """
    from simulator.cli.steps.page import (
        build_page,
        chosen_kinds,
        keep_page,
        ready_for_page,
        track_numbers,
        went_in,
    )
    from simulator.cli.steps.prepare import nothing_played, nothing_read
    from simulator.common.errors import ExitCode, UsageError
    from simulator.page.file.build import LARGE_BYTES, write
    from simulator.storage.writing import refuse_existing, refuse_sources

    if output.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"{output}: the page is an HTML file.", "Use a name that ends in .html.")
    chosen = chosen_kinds(named)
    refuse_existing([output], force)
    ready = ready_for_page(inputs, profiles, chosen, cache)
    refuse_sources([output], [track.track.path for track in ready.prepared.tracks])
    say_problems(ready.prepared.problems)
    if ready.prepared.nothing:
        raise nothing_read()
    if not ready.prepared.played_by([0]):  # the page is about this player: there would be nothing to hear
        raise nothing_played(one_player=True)
    heard = track_numbers(tracks, len(ready.prepared.tracks))
    page, order = build_page(
        ready, heard, seconds, rounds or 0, engineer=visible(engineer), vote_passages=vote_passages
    )
    say_problems(page.problems)
    click.echo(f"{output}: {page.size_bytes / 1e6:.1f} MB")
    if page.size_bytes > LARGE_BYTES:
        warn(
            f"That is more than {LARGE_BYTES / 1e6:.0f} MB; many mail systems refuse that size.\n"
            "  Use fewer --seconds, or choose the --tracks that matter."
        )
    for line in keep_page(ready, page, output):
        click.echo(line)
    write(page, output, force)
    for line in went_in(ready, order):
        click.echo(visible(line))
    return ExitCode.SOME_FAILED if ready.prepared.failed or page.problems else ExitCode.DONE
