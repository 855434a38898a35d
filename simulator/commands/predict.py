"""`fairhearing predict`: what normalising players will do, in figures and words."""

from __future__ import annotations

import csv
import json
import sys
from typing import TYPE_CHECKING, Any

import click

from simulator.commands.options import cache_options, most_workers, open_store, profile_option, say_problems

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulator.commands.predict_view import Predictions
    from simulator.player.profile import Profile
    from simulator.shell.predicting import Delivered

DEFAULT_PROFILE = "minus14-headroom"


@click.command("predict")
@click.argument("inputs", nargs=-1, required=True)
@profile_option
@click.option("--json", "as_json", is_flag=True, help="A list, one object a profile, unrounded.")
@click.option("--csv", "as_csv", is_flag=True, help="A line a profile and track, unrounded.")
@click.option("--reasons", is_flag=True, help="Say for every track why it gets its gain.")
@cache_options
def command(
    inputs: tuple[str, ...],
    profiles: tuple[str, ...],
    as_json: bool,
    as_csv: bool,
    reasons: bool,
    no_cache: bool,
    rehash: bool,
    workers: int | None,
) -> int:
    """Predicts what players do to INPUTS (audio files, folders, playlists, or the word demo).

    Two versions of a song (or two files) are set side by side. Without --profile: the playlist's own,
    else minus14-headroom.
    """
    from simulator.commands.progress import steps
    from simulator.errors import SOME_FAILED, NothingDoneError, SimulatorError
    from simulator.shell.data import load_profiles
    from simulator.shell.inputs import read_arguments
    from simulator.shell.predicting import deliver, predict

    if as_json and as_csv:
        raise click.UsageError("--json and --csv exclude each other.")
    playlist = read_arguments(inputs)
    chosen = load_profiles(profiles or (playlist.profile or DEFAULT_PROFILE,))
    store = open_store(no_cache, rehash)
    count = most_workers(workers)
    with steps("Measuring", len(playlist.tracks)) as step:
        tracks = deliver(playlist, store, count, step)
    with steps("Limiting", len(tracks) * len(chosen)) as step:
        table = predict(chosen, tracks, playlist.album_reason, store, count, step)
    store.close()
    if as_json or as_csv:
        _data(chosen, tracks, table, as_json)
    else:
        _words(chosen, tracks, table, reasons)
    failed = sum(one.problem is not None for one in tracks)
    failed += sum(isinstance(found, SimulatorError) for row in table for found in row)
    if all(one.problem is not None for one in tracks):
        if as_json or as_csv:
            return NothingDoneError.exit_code
        raise NothingDoneError("No track could be read.", "The reasons stand above.")
    return SOME_FAILED if failed else 0


def _words(
    chosen: list[Profile], tracks: list[Delivered], table: Sequence[Predictions], reasons: bool
) -> None:
    from simulator.commands.predict_view import console, paragraph, show_heading, show_pair, show_tracks
    from simulator.player.prediction import Prediction

    say_problems(one.problem for one in tracks)
    out = console()
    for profile, predictions in zip(chosen, table, strict=True):
        show_heading(out, profile)
        paired = show_pair(out, profile, tracks, predictions)
        if not paired or len(tracks) > 2:
            show_tracks(out, tracks, predictions)
        if reasons or not paired:
            for number, found in enumerate(predictions, 1):
                if isinstance(found, Prediction):
                    paragraph(out, found.decision.reason, bullet=f"{number:>3}. ")
        out.print()
    if len(chosen) == 1:
        paragraph(out, "Other players: --profile all, or ids from `fairhearing profiles list`.")


def _data(
    chosen: list[Profile], tracks: list[Delivered], table: Sequence[Predictions], as_json: bool
) -> None:
    from simulator.player.prediction import Prediction
    from simulator.report.json_form import SCHEMA, prediction_object

    objects: list[dict[str, Any]] = []
    for profile, predictions in zip(chosen, table, strict=True):
        rows = []
        for one, found in zip(tracks, predictions, strict=True):
            good = found if isinstance(found, Prediction) else None
            rows.append(prediction_object(one.track, good, str(one.problem or found or "")))
        objects.append(
            {"schema": SCHEMA, "profile": profile.id, "target_lufs": profile.target_lufs, "tracks": rows}
        )
    if as_json:
        print(json.dumps(objects, indent=1, allow_nan=False, ensure_ascii=False))
        return
    flat = [{"profile": one["profile"], **row} for one in objects for row in one["tracks"]]
    names = list(dict.fromkeys(key for row in flat for key in row if key != "error"))
    writer = csv.DictWriter(sys.stdout, [*names, "error"], restval="")
    writer.writeheader()
    writer.writerows(flat)
