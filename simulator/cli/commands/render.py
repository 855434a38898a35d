"""`fairhearing render`: the audio as a player would play it, as files."""

from __future__ import annotations

from pathlib import Path

import click

from simulator.cli.options import CacheOptions, cache_options, profile_option, say_problems


@click.command("render")
@click.argument("inputs", nargs=-1, required=True)
@profile_option
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="Folder to write to; with several profiles, one subfolder each.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["float32", "wav24", "flac24"]),
    default="float32",
    show_default=True,
    help="float32 keeps everything; the 24-bit formats are dithered and refuse a track that would clip.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 600.0),
    default=12.0,
    show_default=True,
    help="Length of each passage in the two back-to-back files.",
)
@click.option(
    "--rate",
    type=click.IntRange(8_000, 192_000),
    metavar="HZ",
    help="Convert to this sample rate, after the limiter: peaks may then pass its ceiling.",
)
@click.option(
    "--cues",
    metavar="SESSION",
    help="Put the remarks of this session file into the tracks' WAV files, as cue points with labels.",
)
@click.option("--force", is_flag=True, help="Overwrite existing files.")
@cache_options
def command(
    inputs: tuple[str, ...],
    profiles: tuple[str, ...],
    out: Path,
    form: str,
    seconds: float,
    rate: int | None,
    cues: str | None,
    force: bool,
    cache: CacheOptions,
) -> int:
    """Render INPUTS (audio files, folders, playlists, or the word demo) as a player plays them.

    Writes OUT/NN-NAME.wav for every track at its own rate (or at --rate). Adds two back-to-back files of the
    loudest passages: montage-delivered.wav and montage-played.wav, with montage-places.txt listing where each
    is from and why. Versions of one song are cut at the same place. Nothing is overwritten without --force.
    """
    from simulator.cli.export import cues_of
    from simulator.cli.output import AS_FILES, steps
    from simulator.cli.steps.prepare import nothing_read, prepare
    from simulator.common.errors import ExitCode, NothingDoneError
    from simulator.engine.playlists import read_arguments
    from simulator.engine.render import RenderPlan, render, trim_words

    if cues is not None and form == "flac24":
        raise click.UsageError("--cues writes cue points into WAV files: choose --format wav24 or float32.")
    places = {} if cues is None else cues_of(cues)
    ready = prepare(read_arguments(inputs), profiles, cache)
    say_problems(track.problem for track in ready.tracks)
    if ready.nothing:
        raise nothing_read()
    failed, written = any(track.problem is not None for track in ready.tracks), 0
    for profile, predictions in ready.by_player():
        folder = out if len(ready.profiles) == 1 else out / profile.id
        plan = RenderPlan(profile, folder, ready.tracks, predictions, form, seconds, rate, places)
        with steps(f"Rendering {profile.id}", len(ready.tracks), AS_FILES) as step:
            outcome = render(plan, force=force, workers=cache.workers, step=step)
        say_problems(outcome.problems)
        failed = failed or bool(outcome.problems)
        written += outcome.tracks
        if outcome.tracks:
            click.echo(f"{folder}: {profile.title}")
        if outcome.montage_trim_db:
            click.echo(f"  {trim_words(outcome.montage_trim_db)}")
    if not written:
        raise NothingDoneError("No track could be rendered.", "See the messages above.")
    return ExitCode.SOME_FAILED if failed else ExitCode.DONE
