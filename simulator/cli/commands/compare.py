"""`fairhearing compare`: what a loud master gains and loses against an open one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import cache_options, open_store, profile_option, warn
from simulator.cli.output import print_json
from simulator.common.errors import ExitCode

if TYPE_CHECKING:
    from simulator.comparison.versions import Comparison
    from simulator.engine.compare import Noise, VersionPair
    from simulator.storage.measurement_cache import Store
    from simulator.text.comparison.terms import Names


@click.command("compare")
@click.argument("inputs", nargs=-1, required=True, metavar="LOUD OPEN")
@profile_option
@click.option("--json", "as_json", is_flag=True, help="One object, unrounded, with every sentence's rule.")
@click.option(
    "--figure",
    "figure",
    multiple=True,
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.svg|png",
    help="Draw both over time, and their headroom. May be repeated.",
)
@click.option(
    "--noise",
    type=click.FloatRange(0.0, 60.0),
    metavar="LEVEL",
    help="Write both as played over a steady noise, LEVEL LU below the open one (needs --out).",
)
@click.option(
    "--noise-kind",
    type=click.Choice(["pink", "car"]),
    default="pink",
    show_default=True,
    help="car: low-passed, as inside a car.",
)
@click.option(
    "--difference",
    type=click.Choice(["residual", "gain-riding", "waveform-change"]),
    help="Write what is left where the matched LOUD is taken off OPEN, or one part of it (needs --out).",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="The folder for what is written as audio; under noise several profiles get a folder each in it.",
)
@click.option("--force", is_flag=True, help="Replace files that are there already.")
@cache_options
def command(
    inputs: tuple[str, ...],
    profiles: tuple[str, ...],
    as_json: bool,
    figure: tuple[Path, ...],
    noise: float | None,
    noise_kind: str,
    difference: str | None,
    out: Path | None,
    force: bool,
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Compares the LOUD version of a song with the OPEN one: what was gained, what is left, what it cost.

    Two audio files; or a playlist (or the word demo) with two versions of a song: its loudest is then
    LOUD, its least loud OPEN. Without --profile: the playlist's own, else minus14-headroom.
    """
    from simulator.cli.output import steps
    from simulator.cli.steps.prepare import prepare_playlist
    from simulator.cli.steps.version_pair import as_versions, chosen_pair
    from simulator.engine.compare import Noise, compare_pair, difference_target, noise_targets, picture_paths
    from simulator.engine.playlists import read_arguments
    from simulator.storage.writing import refuse_existing, refuse_sources
    from simulator.text.comparison.gained_paid import whole_sentences
    from simulator.text.comparison.played import played_sentences

    if (noise is None and difference is None) is not (out is None):
        raise click.UsageError("--out belongs to --noise or --difference: the folder to write to.")
    playlist = as_versions(read_arguments(inputs))
    ready = prepare_playlist(playlist, profiles, no_cache=no_cache, rehash=rehash, workers=workers)
    pair, names = chosen_pair(ready)
    pictures = picture_paths(figure, ready.profiles, force)
    folders = [out if len(ready.profiles) == 1 else out / one.id for one in ready.profiles] if out else []
    targets = [path for folder in folders if noise is not None for path in noise_targets(pair, folder)]
    targets += [] if difference is None or out is None else [difference_target(out, difference)]
    refuse_existing(targets, force)
    refuse_sources([*targets, *(path for row in pictures for path in row)], [one.path for one in pair.tracks])
    store = open_store(no_cache, rehash=False)  # what was measured just now is known
    try:
        with steps("Laying one over the other", 1) as step:
            found = compare_pair(pair, store, ready.workers, step)
        written = (
            [] if difference is None or out is None else _difference(pair, difference, out, store, force)
        )
    finally:
        store.close()
    overall = whole_sentences(found, names)
    by_player = [played_sentences(found, played, names) for played in found.played]
    if as_json:
        from simulator.text.comparison.json_form import comparison_object

        print_json(comparison_object(found, pair.tracks, names, overall, by_player))
    else:
        from simulator.cli.steps.compare import show_comparison

        show_comparison(found, names, overall, by_player)
    written += _pictures(pair, names, found, pictures, force)
    if noise is not None:
        bed = Noise(noise, "car" if noise_kind == "car" else "pink")
        written += _under_noise(pair, names, found, bed, folders, force)
    for line in written:
        if as_json:
            warn(line)
        else:
            click.echo(line)
    return ExitCode.SOME_FAILED if ready.failed else ExitCode.DONE


def _pictures(
    pair: VersionPair, names: Names, found: Comparison, paths: list[list[Path]], force: bool
) -> list[str]:
    from simulator.engine.compare import write_picture

    for played, row in zip(found.played, paths, strict=True):
        for path in row:
            write_picture(path, found, played, names, pair, force)
    return [f"{path}: both over time, and their headroom" for row in paths for path in row]


def _difference(pair: VersionPair, part: str, folder: Path, store: Store, force: bool) -> list[str]:
    from simulator.engine.compare import write_difference

    loud, open_ = pair.tracks
    path = write_difference(open_.path, loud.path, part, folder, store, force)
    return [
        f"{path}: the difference ({part}) as audio, in the open version's time",
        "How loud a difference is does not rank quality. Hear it: fairhearing listen " + str(path),
    ]


def _under_noise(
    pair: VersionPair, names: Names, found: Comparison, noise: Noise, folders: list[Path], force: bool
) -> list[str]:
    from simulator.common.numbers import level
    from simulator.engine.compare import write_under_noise

    lines = []
    for place, folder in enumerate(folders):
        trim_db = write_under_noise(pair, place, found, names, noise, folder, force)
        lines.append(
            f"{folder}: both under noise, each trimmed by {level(trim_db)} dB; under-noise.txt says where"
        )
    lines.append("Before you listen: turn your monitors down first; steady noise tires, so listen briefly.")
    return lines
