"""`fairhearing demo`: a synthetic song in two masters, measured, played by two players, written to files."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import CacheOptions, amount_options, cache_options, say_problems
from simulator.cli.output import Amount

if TYPE_CHECKING:
    from simulator.cli.output import Readout
    from simulator.engine.render import RenderPlan

PLAYERS = ("minus14-headroom", "minus14-limited")
UNTOUCHED = "untouched"
"""Shown beside the players: what is heard where nothing is normalised."""


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where to write the audio. Default: a folder in fairhearing's cache.",
)
@click.option("--force", is_flag=True, help="Overwrite existing files.")
@amount_options
@cache_options
def command(out: Path | None, force: bool, amount: Amount, cache: CacheOptions) -> int:
    """See and hear the point in a minute: one synthetic song, mastered open and crushed.

    The crushed master is pushed as loud as a competent loud master, with this program's own clipper and
    limiter as a stand-in. The audio is written to a folder as two players play it.
    """
    from simulator.cli.output import AS_FILES, Readout, steps
    from simulator.cli.steps.predict import answer, choose_shown, player_rows, show_detail, show_matrix
    from simulator.cli.steps.prepare import prepare
    from simulator.common.errors import ExitCode, NothingDoneError
    from simulator.engine.playlists import demo_playlist, read_playlist
    from simulator.engine.render import RenderPlan, render

    with steps("Synthesising the demo song", 1) as step:
        source = demo_playlist(cache.workers)
        step()
    playlist = read_playlist(os.fspath(source))
    players = (UNTOUCHED, *PLAYERS)
    ready = prepare(playlist, players, cache)
    own = out is None
    folder = out or source.parent / "rendered"
    plans = [
        RenderPlan(profile, folder / profile.id, ready.tracks, predictions, "flac24" if own else "float32")
        for profile, predictions in ready.by_player()
        if profile.id in PLAYERS
    ]
    with steps("Rendering", len(plans) * len(ready.tracks), AS_FILES) as step:
        outcomes = [
            render(plan, force=force, keep_whole=own, workers=cache.workers, step=step) for plan in plans
        ]
    problems = [track.problem for track in ready.tracks if track.problem is not None]
    problems += [problem for outcome in outcomes for problem in outcome.problems]
    say_problems(problems)
    if not any(outcome.tracks for outcome in outcomes):
        raise NothingDoneError("No track could be rendered.", "See the messages above.")
    screen = Readout(amount)
    shown = choose_shown(ready.tracks, None, None)
    rows = player_rows(ready, shown)
    used = screen.answer(answer(ready, shown, rows))
    if not screen.quiet:
        show_matrix(screen, ready, shown, rows, used)
        _next_steps(screen, plans)
    if screen.detail:
        show_detail(screen, ready, shown, rows)
    return ExitCode.SOME_FAILED if problems else ExitCode.DONE


def _next_steps(screen: Readout, plans: Sequence[RenderPlan]) -> None:
    """What was played, where the audio is, and what to do next."""
    from simulator.engine.render import MONTAGE_DELIVERED, MONTAGE_PLAYED

    screen.paragraph(
        "One synthetic song, mastered open, and crushed as loud as a competent loud master by this program's "
        "own clipper and limiter."
    )
    screen.heading("Hear it (crushed is much louder as a file: turn your monitors down first)")
    screen.line("  fairhearing listen demo")
    names = [plans[0].montage_path(name).name for name in (MONTAGE_DELIVERED, MONTAGE_PLAYED)]
    screen.line(f"or play {names[0]} (as files) and {names[1]} (as played) in")
    for plan in plans:
        screen.line(f"  {plan.folder}")
    screen.heading("Then, with your own masters")
    for line in ("predict LOUD.wav OPEN.wav --profile all", "compare LOUD.wav OPEN.wav", "check MASTER.wav"):
        screen.line(f"  fairhearing {line}")
