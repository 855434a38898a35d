"""`fairhearing compare`: what a loud master gains and loses against an open one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import (
    CacheOptions,
    amount_options,
    cache_options,
    figure_option,
    profile_option,
    warn,
)
from simulator.cli.output import print_json
from simulator.common.errors import ExitCode

if TYPE_CHECKING:
    from simulator.cli.output import Amount
    from simulator.cli.steps.compare import Compared
    from simulator.engine.compare import Noise, VersionPair
    from simulator.storage.measurement_cache import Store

PARTS = click.Choice(["residual", "gain-riding", "waveform-change"])


@click.command("compare")
@click.argument("inputs", nargs=-1, required=True, metavar="LOUD OPEN [MORE ...]")
@profile_option
@click.option(
    "--against",
    default="",
    metavar="NAME|NUMBER|FILE",
    help="Hold the first version against this one. Default: the second; of a playlist, the least loud one.",
)
@click.option("--names", default="", metavar="A,B", help="Short names of the versions, in their order.")
@amount_options
@click.option("--json", "as_json", is_flag=True, help="Print JSON: one object, unrounded, with every rule.")
@figure_option("Draw the versions over time, and their headroom.")
@click.option(
    "--noise",
    type=click.FloatRange(0.0, 60.0),
    metavar="LEVEL",
    help="Write both as played under steady noise, LEVEL LU below the open one (needs --out).",
)
@click.option(
    "--noise-kind",
    type=click.Choice(["pink", "car"]),
    default="pink",
    show_default=True,
    help="car: low-passed, as inside a car.",
)
@click.option(
    "--write-difference",
    "difference",
    type=PARTS,
    help="Write the difference signal, OPEN minus the gain-matched LOUD, or one part of it (needs --out).",
)
@click.option("--difference", "old_difference", type=PARTS, hidden=True)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the audio of --noise and --write-difference; several profiles get a folder each.",
)
@cache_options
def command(
    inputs: tuple[str, ...],
    profiles: tuple[str, ...],
    against: str,
    names: str,
    amount: Amount,
    as_json: bool,
    figures: tuple[Path, ...],
    noise: float | None,
    noise_kind: str,
    difference: str | None,
    old_difference: str | None,
    out: Path | None,
    force: bool,
    cache: CacheOptions,
) -> int:
    """Compares versions of a song: what the loud one gains, what is left of that as played, what it costs.

    Two to six audio files: the first is held against the second. Or a playlist (or the word demo) with
    versions of a song: its loudest against its least loud. Without --profile: the playlist's own player,
    else minus14-headroom.
    """
    from simulator.cli.output import Readout, steps
    from simulator.cli.steps.compare import Compared, chosen_versions, show_comparison
    from simulator.cli.steps.prepare import as_versions, prepare
    from simulator.engine.compare import Noise, compare_pair, difference_target, noise_targets, picture_paths
    from simulator.engine.playlists import read_arguments
    from simulator.storage.writing import refuse_existing, refuse_sources
    from simulator.text.comparison.table import MOST_VERSIONS

    difference = difference or old_difference
    if (noise is None and difference is None) is not (out is None):
        raise click.UsageError("--out is the folder for --noise or --write-difference; give both.")
    playlist = as_versions(read_arguments(inputs), MOST_VERSIONS)
    in_order = len(inputs) == len(playlist.tracks)
    ready = prepare(playlist, profiles, cache)
    versions = chosen_versions(ready, in_order, against, names)
    pair = versions.pair(ready)
    pictures = picture_paths(figures, ready.profiles, force)
    folders = (
        [out if len(ready.profiles) == 1 else out / profile.id for profile in ready.profiles] if out else []
    )
    targets = [path for folder in folders if noise is not None for path in noise_targets(pair, folder)]
    targets += [] if difference is None or out is None else [difference_target(out, difference)]
    refuse_existing(targets, force)
    sources = [one.track.path for one in versions.all]
    refuse_sources([*targets, *(path for row in pictures for path in row)], sources)
    with ready.cache.store() as store:
        with steps("Aligning", len(versions.all) - 1) as step:
            comparison = compare_pair(pair, store, cache.workers, step)
            further = {
                place: compare_pair(
                    versions.pair(ready, place), store, cache.workers, step, difference_too=False
                )
                for place in versions.further
            }
        written = (
            [] if difference is None or out is None else _difference(pair, difference, out, store, force)
        )
    compared = Compared(versions, comparison, further)
    if as_json:
        print_json(_json(compared, pair))
    else:
        show_comparison(Readout(amount), compared)
    written += _pictures(compared, pictures, force)
    if noise is not None:
        bed = Noise(noise, "car" if noise_kind == "car" else "pink")
        written += _under_noise(pair, compared, bed, folders, force)
    for line in written:
        if as_json:
            warn(line)
        else:
            click.echo(line)
    return ExitCode.SOME_FAILED if ready.failed else ExitCode.DONE


def _json(compared: Compared, pair: VersionPair) -> dict[str, object]:
    from simulator.text.json_form import comparison_object, version_object

    said = compared.answer, compared.overall, compared.by_player
    objects = [
        version_object(
            one.track,
            one.name,
            compared.figures(place),
            [(profile.id, compared.figures(place, at)) for at, profile in enumerate(pair.profiles)],
        )
        for place, one in enumerate(compared.versions.all)
    ]
    return {
        **comparison_object(compared.pair, pair.tracks, compared.versions.names, *said),
        "versions": objects,
    }


def _pictures(compared: Compared, paths: list[list[Path]], force: bool) -> list[str]:
    from simulator.engine.compare import write_picture

    for player, row in enumerate(paths):
        for path in row:
            write_picture(path, compared.drawing(player), force)
    return [f"Written: {path}" for row in paths for path in row]


def _difference(pair: VersionPair, part: str, folder: Path, store: Store, force: bool) -> list[str]:
    from simulator.engine.compare import write_difference

    loud, open_ = pair.tracks
    path = write_difference(open_.path, loud.path, part, folder, store, force)
    return [
        f"Written: {path}: the difference signal ({part}), in the open version's time",
        f"A bigger difference is not a worse master. Hear it: fairhearing listen {path}",
    ]


def _under_noise(
    pair: VersionPair, compared: Compared, noise: Noise, folders: list[Path], force: bool
) -> list[str]:
    from simulator.common.text import level
    from simulator.engine.compare import write_under_noise

    lines = []
    for place, folder in enumerate(folders):
        names = compared.versions.names
        trim_db = write_under_noise(pair, place, compared.pair, names, noise, folder, force)
        lines.append(
            f"Written: {folder}: both under noise, trimmed by {level(trim_db)} dB (see under-noise.txt)"
        )
    lines.append("Turn your monitors down before you listen, and keep it short: steady noise tires the ears.")
    return lines
