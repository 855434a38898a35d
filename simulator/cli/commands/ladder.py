"""`fairhearing ladder`: which loudness suffices for which destination, and what each costs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from simulator.cli.options import CacheOptions, amount_options, cache_options, figure_option
from simulator.common.text import typed_command, typed_minus

if TYPE_CHECKING:
    from simulator.cli.output import Amount
    from simulator.dsp.ceiling import PeakKind
    from simulator.dsp.mastering_limiter import Style
    from simulator.playlists.playlist import Track
    from simulator.rungs.advice import Destination

LOUDEST, QUIETEST, MOST_RUNGS = 0.0, -40.0, 12


def _levels(_: click.Context, __: click.Parameter, text: str | None) -> tuple[float, ...]:
    """`-16,-14` as numbers, lowest first; nothing where nothing was asked for."""
    if text is None:
        return ()
    try:
        levels = sorted({float(part) for part in typed_minus(text).split(",")})
    except ValueError:
        raise click.BadParameter(f'"{text}" is not a list of levels such as -16,-14,-12.') from None
    wrong = [level for level in levels if not QUIETEST <= level <= LOUDEST]
    if wrong:
        raise click.BadParameter(f"{wrong[0]:g} is not between {QUIETEST:g} and {LOUDEST:g} LUFS.")
    if len(levels) > MOST_RUNGS:
        raise click.BadParameter(f"{len(levels)} rungs; the most at a time is {MOST_RUNGS}.")
    return tuple(levels)


@click.command("ladder")
@click.argument("mix")
@click.option(
    "--loudness",
    metavar="LUFS,…",
    callback=_levels,
    help="Integrated loudness of each rung. Default: five around the mix, with -14 and -9.",
)
@click.option(
    "--ceiling",
    type=click.FloatRange(-20.0, 0.0),
    default=-1.0,
    show_default=True,
    metavar="DBTP",
    help="Limiter ceiling.",
)
@click.option(
    "--detect",
    type=click.Choice(["true", "sample", "both"]),
    default="true",
    show_default=True,
    help="sample: limit sample peaks, then turn the output down until the true peak meets the ceiling; "
    "both: side by side.",
)
@click.option(
    "--style",
    type=click.Choice(["limit", "clip-limit"]),
    default="limit",
    show_default=True,
    help="clip-limit: a soft clip before the limiter.",
)
@click.option(
    "--for",
    "wanted_for",
    multiple=True,
    metavar="[WEIGHT:]ID[=LABEL],…",
    help="Destinations: players (with their codecs) and untouched, each with a weight (must, should, nice) "
    "and a label if you like: must:minus14-headroom=phones,nice:untouched=club.",
)
@click.option("--profile", "profiles", multiple=True, hidden=True)
@click.option("--json", "as_json", is_flag=True, help="Print JSON (one object, unrounded).")
@figure_option("Draw gain against cost, a curve for each destination.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Write the rungs there, and a playlist with them as versions of one song.",
)
@click.option(
    "--listen",
    "hear",
    is_flag=True,
    help="Open the rungs at the listening prompt, matched, with the destinations as its players.",
)
@amount_options
@cache_options
def command(
    mix: str,
    loudness: tuple[float, ...],
    ceiling: float,
    detect: str,
    style: str,
    wanted_for: tuple[str, ...],
    profiles: tuple[str, ...],
    as_json: bool,
    figures: tuple[Path, ...],
    out: Path | None,
    hear: bool,
    force: bool,
    amount: Amount,
    cache: CacheOptions,
) -> int:
    """Before mastering: what each loudness target costs the mix and gains on playback.

    MIX is an audio file, a playlist with one track, or the word demo (its first open master). Each rung is
    the mix limited to one loudness, by fairhearing's own limiter, and played at every destination.
    """
    from simulator.cli.options import refuse_both, say_problems, warn
    from simulator.cli.output import AS_FILES, Readout, print_json
    from simulator.cli.steps.ladder import rungs_shown, show_ladder
    from simulator.common.errors import ExitCode, NothingDoneError, SimulatorError
    from simulator.engine.ladder import PLAYLIST, LadderRequest, build, free_folder
    from simulator.engine.measure import Job, Result, measure_all
    from simulator.rungs.advice import DEFAULT_DESTINATIONS, default_levels
    from simulator.rungs.rung import Ladder, Rung
    from simulator.storage.writing import check_pictures, refuse_sources
    from simulator.text.ladder import ladder_object

    refuse_both("--json", "--listen", as_json and hear)
    chosen, players = _destinations((*wanted_for, *profiles) or DEFAULT_DESTINATIONS)
    check_pictures(figures, force)
    track = _one_track(mix)
    with cache.store() as store:
        (measured,) = measure_all([Job(track.path)], store, cache.workers)
    if not isinstance(measured, Result):
        raise measured
    if measured.measurement.integrated_lufs is None:
        why = " ".join(note.text for note in measured.measurement.warnings)
        raise NothingDoneError(f"{track.path}: no measurable loudness. {why}", "Choose another mix.")
    refuse_sources(figures, [track.path])
    asked = loudness
    loudness = loudness or default_levels(measured.measurement, ceiling)
    if hear and out is None:
        out = free_folder(track.path)
    # click has let no other words pass
    kinds = cast("tuple[PeakKind, ...]", ("true", "sample") if detect == "both" else (detect,))
    how = cast("Style", style)
    wanted = LadderRequest(
        track.path,
        measured.measurement,
        loudness,
        ceiling,
        kinds,
        how,
        tuple(one.profile for one in chosen),
        out,
        measured.content,
        store.encoded_folder,
    )
    screen = None if as_json else Readout(amount)
    kept, count = "" if out is None else AS_FILES, len(loudness) * len(kinds)
    with rungs_shown(screen, measured.measurement, loudness, count, kept) as finished:
        made = build(
            wanted,
            force=force,
            workers=cache.workers,
            spare=cache.asked_workers is None,
            finished=finished,
        )
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
    if screen is None:
        print_json(ladder_object(ladders[0], beside, chosen, measured.measurement))
    else:
        again = _again(mix, asked, ceiling, detect, style, (*wanted_for, *profiles)) if out is None else ()
        show_ladder(screen, ladders[0], beside, measured.measurement, chosen, again)
    say = warn if as_json else click.echo
    for figure in figures:
        from simulator.engine.ladder import draw

        draw(figure, ladders[0].rungs, chosen, track.title, force)
        say(f"{figure}: gain against cost, a curve for each destination")
    if out is not None:
        playlist = str(out / PLAYLIST)
        say(f"{playlist}: the rungs as versions of one song")
        if not hear:
            words = ("fairhearing", "listen", playlist, "--profile", ",".join(players))
            say(typed_command("Hear them matched:", words))
        say("Turn your monitors down first: as delivered, the rungs differ in level.")
        if hear:
            from simulator.cli.commands.listen import command as listen

            return int(
                click.get_current_context().invoke(
                    listen,
                    inputs=(playlist,),
                    profiles=players,
                    no_cache=cache.no_cache,
                    rehash=cache.rehash,
                    workers=cache.asked_workers,
                )
            )
    return ExitCode.SOME_FAILED if problems else ExitCode.DONE


def _again(
    mix: str,
    loudness: tuple[float, ...],
    ceiling: float,
    detect: str,
    style: str,
    destinations: tuple[str, ...],
) -> tuple[str, ...]:
    """The words of the same command that also open the rungs at the listening prompt."""
    levels = ",".join(f"{one:g}" for one in loudness)
    options = (
        ("--loudness", levels, ""),
        ("--ceiling", f"{ceiling:g}", "-1"),
        ("--detect", detect, "true"),
        ("--style", style, "limit"),
        ("--for", ",".join(destinations), ""),
    )
    given = [word for name, value, default in options if value != default for word in (name, value)]
    return ("fairhearing", "ladder", mix, *given, "--listen")


def _destinations(words: tuple[str, ...]) -> tuple[tuple[Destination, ...], tuple[str, ...]]:
    """`must:minus14-headroom=phones,untouched`; and the players' ids or files as they were written. Raises
    UsageError for a weight that is none."""
    from simulator.rungs.advice import Destination, Weight
    from simulator.storage.bundled import load_profiles

    found: dict[str, Destination] = {}
    names: dict[str, None] = {}
    for part in (part.strip() for word in words for part in word.split(",") if part.strip()):
        weight, colon, rest = part.partition(":")
        named = colon and weight.casefold() in tuple(Weight)
        name, _, label = (rest if named else part).partition("=")
        how = Weight(weight.casefold()) if named else Weight.SHOULD
        names[name] = None
        for profile in load_profiles((name,)):
            found[profile.id] = Destination(profile, how, label.strip())
    return tuple(found.values()), tuple(names)


def _one_track(mix: str) -> Track:
    """The one track that the word names. Raises UsageError where there are several."""
    from simulator.common.errors import AudioError, UsageError
    from simulator.engine.playlists import DEMO, read_arguments

    tracks = read_arguments([mix]).tracks
    if mix == DEMO:
        tracks = tuple(track for track in tracks if "open" in Path(track.path).stem)[:1] or tracks
    if len(tracks) != 1:
        raise UsageError(f"{mix}: {len(tracks)} tracks; a ladder needs one mix.", "Give one of the files.")
    if tracks[0].problem:
        raise AudioError(f"{tracks[0].path}: {tracks[0].problem}")
    return tracks[0]
