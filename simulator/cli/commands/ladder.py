"""`fairhearing ladder`: what each loudness costs a mix, and what is left of it as played."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from simulator.cli.options import cache_options, profile_option
from simulator.common.numbers import typed_minus

if TYPE_CHECKING:
    from simulator.dsp.limiter_settings import PeakKind
    from simulator.dsp.mastering_limiter import Style
    from simulator.playlists.playlist import Track

DEFAULT_PROFILES = ("minus14-headroom", "minus14-limited", "untouched")
LOUDEST, QUIETEST, MOST_RUNGS = 0.0, -40.0, 12


def _levels(_: click.Context, __: click.Parameter, text: str) -> tuple[float, ...]:
    """`-16,-14` as numbers, lowest first."""
    try:
        levels = sorted({float(part) for part in typed_minus(text).split(",")})
    except ValueError:
        raise click.BadParameter(f'"{text}" is no list of levels such as -16,-14,-12.') from None
    wrong = [one for one in levels if not QUIETEST <= one <= LOUDEST]
    if wrong:
        raise click.BadParameter(f"{wrong[0]:g} is not between {QUIETEST:g} and {LOUDEST:g} LUFS.")
    if len(levels) > MOST_RUNGS:
        raise click.BadParameter(f"{len(levels)} rungs; at most {MOST_RUNGS} are worked out at a time.")
    return tuple(levels)


@click.command("ladder")
@click.argument("mix")
@click.option(
    "--loudness",
    metavar="LUFS,…",
    default="-16,-14,-12,-10,-8",
    show_default=True,
    callback=_levels,
    help="The wanted integrated loudness of each rung.",
)
@click.option(
    "--ceiling",
    type=click.FloatRange(-20.0, 0.0),
    default=-1.0,
    show_default=True,
    metavar="DBTP",
    help="The limiter's ceiling.",
)
@click.option(
    "--detect",
    type=click.Choice(["true", "sample", "both"]),
    default="true",
    show_default=True,
    help="sample: limits sample peaks, then lowers the output until the true peak meets the ceiling; "
    "both: side by side.",
)
@click.option(
    "--style",
    type=click.Choice(["limit", "clip-limit"]),
    default="limit",
    show_default=True,
    help="clip-limit: a soft clip before the limiter.",
)
@profile_option
@click.option("--json", "as_json", is_flag=True, help="One object, unrounded.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write the rungs there, and a playlist of them as versions of one song.",
)
@click.option("--force", is_flag=True, help="Replace files that are there already.")
@cache_options
def command(
    mix: str,
    loudness: tuple[float, ...],
    ceiling: float,
    detect: str,
    style: str,
    profiles: tuple[str, ...],
    as_json: bool,
    out: Path | None,
    force: bool,
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Before mastering: brings MIX to several loudnesses, and shows what each costs and what it gains as
    played.

    MIX is an audio file, or a playlist with one track (or the word demo: its first open master). The limiter
    is the project's own, a stand-in: your own chain will do better or worse.
    """
    from simulator.cli.options import most_workers, open_store, say_problems, warn
    from simulator.cli.output import print_json, steps
    from simulator.common.errors import ExitCode, NothingDoneError, SimulatorError
    from simulator.engine.ladder import PLAYLIST, LadderRequest, build
    from simulator.engine.measure import Job, Result, do_all
    from simulator.ladder.rungs import Ladder, Rung
    from simulator.storage.bundled import load_profiles
    from simulator.text.ladder import ladder_object

    chosen = tuple(load_profiles(profiles or DEFAULT_PROFILES))
    track = _one_track(mix)
    store, count = open_store(no_cache, rehash), most_workers(workers)
    try:
        (measured,) = do_all([Job(track.path)], store, count)
    finally:
        store.close()
    if not isinstance(measured, Result):
        raise measured
    if measured.measurement.integrated_lufs is None:
        why = " ".join(note.text for note in measured.measurement.warnings)
        raise NothingDoneError(f"{track.path}: it has no loudness to start from. {why}", "Name another mix.")
    # click has let no other words pass
    kinds = cast("tuple[PeakKind, ...]", ("true", "sample") if detect == "both" else (detect,))
    how = cast("Style", style)
    wanted = LadderRequest(track.path, measured.measurement, loudness, ceiling, kinds, how, chosen, out)
    with steps("Climbing", len(loudness) * len(kinds)) as step:
        made = build(wanted, force=force, workers=count, step=step)
    problems = [one for one in made if isinstance(one, SimulatorError)]
    say_problems(problems)
    by_kind = [made[place : place + len(loudness)] for place in range(0, len(made), len(loudness))]
    # where both kinds were asked for, only rungs that have both can stand side by side
    whole = [row for row in zip(*by_kind, strict=True) if all(isinstance(one, Rung) for one in row)]
    if not whole:
        raise NothingDoneError("The ladder could not be built.", "See the messages above.")
    ladders = []
    for kind, column in zip(kinds, zip(*whole, strict=True), strict=True):
        rungs = tuple(one for one in column if isinstance(one, Rung))
        ladders.append(Ladder(track.path, ceiling, kind, style, rungs))
    beside = ladders[1] if len(ladders) > 1 else None
    if as_json:
        print_json(ladder_object(ladders[0], beside, chosen))
    else:
        from simulator.cli.steps.ladder import show_ladder

        show_ladder(ladders[0], beside, measured.measurement, track.title, chosen)
    if out is not None:
        say = warn if as_json else click.echo
        say(f"{out / PLAYLIST}: the rungs, as versions of one song")
        say(f"Hear them equally loud: fairhearing listen {out / PLAYLIST}")
        say("Before you listen: turn your monitors down first; as delivered, the rungs differ in level.")
    return ExitCode.SOME_FAILED if problems else ExitCode.DONE


def _one_track(mix: str) -> Track:
    """The one track that the word names. Raises UsageError where there are several."""
    from simulator.common.errors import AudioError, UsageError
    from simulator.engine.playlists import DEMO, read_arguments

    tracks = read_arguments([mix]).tracks
    if mix == DEMO:
        tracks = tuple(track for track in tracks if "open" in Path(track.path).stem)[:1] or tracks
    if len(tracks) != 1:
        raise UsageError(
            f"{mix}: {len(tracks)} tracks, and a ladder is built from one mix.", "Name one of the files."
        )
    if tracks[0].problem:
        raise AudioError(f"{tracks[0].path}: {tracks[0].problem}")
    return tracks[0]
