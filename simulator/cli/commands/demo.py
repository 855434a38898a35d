"""`fairhearing demo`: an invented song in two masters, measured, played by two players, written to
files."""

from __future__ import annotations

import os
from pathlib import Path

import click

from simulator.cli.options import cache_options, most_workers, say_problems

PLAYERS = ("minus14-headroom", "minus14-limited")


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where to write the audio. Default: a folder of the tool's own, in the cache.",
)
@click.option("--force", is_flag=True, help="Replace files that stand in --out already.")
@cache_options
def command(out: Path | None, force: bool, no_cache: bool, rehash: bool, workers: int | None) -> int:
    """Makes the demo's music, and shows what two players do to an open and to a crushed master."""
    from simulator.cli.output import steps
    from simulator.cli.steps.predict import console, paragraph, show_heading, show_pair, show_tracks
    from simulator.cli.steps.prepare import prepare_playlist
    from simulator.common.errors import ExitCode, NothingDoneError
    from simulator.engine.demo_folder import demo_playlist
    from simulator.engine.playlists import read_playlist
    from simulator.engine.render import RenderPlan, render

    count = most_workers(workers)
    with steps("Playing the demo's music", 1) as step:
        source = demo_playlist(count)
        step()
    playlist = read_playlist(os.fspath(source))
    screen = console()
    paragraph(
        screen,
        f"{playlist.title} {len(playlist.tracks)} invented tracks, two of them masters of one song: one left "
        "open, one made as loud as a competent loud master (a stand-in, by this program's own clip and "
        "limiter). Here is what two kinds of player do to them.",
    )
    screen.print()
    ready = prepare_playlist(playlist, PLAYERS, no_cache=no_cache, rehash=rehash, workers=workers)
    tracks = ready.tracks
    for profile, predictions in zip(ready.profiles, ready.predictions, strict=True):
        show_heading(screen, profile)
        show_pair(screen, profile, tracks, predictions)
        show_tracks(screen, tracks, predictions)
        screen.print()
    own = out is None
    folder = out or source.parent / "rendered"
    plans = [
        RenderPlan(profile, folder / profile.id, tracks, predictions)
        for profile, predictions in zip(ready.profiles, ready.predictions, strict=True)
    ]
    outcomes = [render(plan, force=force, keep_whole=own, workers=count) for plan in plans]
    problems = [one.problem for one in tracks if one.problem is not None]
    problems += [problem for outcome in outcomes for problem in outcome.problems]
    say_problems(problems)
    if not any(outcome.tracks for outcome in outcomes):
        raise NothingDoneError("No track could be rendered.", "See the messages above.")
    screen.print("The audio, as each player would play it:", style="bold")
    for plan in plans:
        screen.print(f"  {plan.folder}", soft_wrap=True)
    paragraph(
        screen,
        "Listen to montage-played.wav: the loudest 12 seconds of each track, back to back; then to "
        "montage-delivered.wav, the same as delivered. It is much louder: turn your monitors down first.",
    )
    screen.print("\nNext, hear it: fairhearing listen demo. Then, with your own masters:", style="bold")
    for line in (
        "fairhearing compare LOUD.wav OPEN.wav",
        "fairhearing listen PLAYLIST.toml",
        "fairhearing ladder MIX.wav",
        "fairhearing check MASTER.wav",
        "fairhearing page PLAYLIST.toml -o CLIENT.html",
        "fairhearing profiles list",
    ):
        screen.print(f"  {line}")
    return ExitCode.SOME_FAILED if problems else ExitCode.DONE
