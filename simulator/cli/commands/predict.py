"""`fairhearing predict`: what normalising players will do, in figures and words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from simulator.cli.options import cache_options, profile_option, refuse_both, say_problems
from simulator.cli.output import print_csv, print_json
from simulator.common.errors import ExitCode

if TYPE_CHECKING:
    from simulator.cli.steps.prepare import PreparedPlaylist


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
    from simulator.cli.steps.prepare import nothing_played, nothing_read, prepare

    refuse_both("--json", "--csv", as_json and as_csv)
    ready = prepare(inputs, profiles, no_cache=no_cache, rehash=rehash, workers=workers)
    if as_json or as_csv:
        _data(ready, as_json)
    else:
        _words(ready, reasons)
    if not ready.played_by(range(len(ready.profiles))):
        if as_json or as_csv:
            return ExitCode.NOTHING_DONE
        raise nothing_read() if ready.nothing else nothing_played(len(ready.profiles) == 1)
    return ExitCode.SOME_FAILED if ready.failed else ExitCode.DONE


def _words(ready: PreparedPlaylist, reasons: bool) -> None:
    from simulator.cli.steps.predict import (
        console,
        paragraph,
        show_delivery,
        show_heading,
        show_pair,
        show_tracks,
    )
    from simulator.normalizer.prediction import Prediction

    say_problems(ready.problems)
    out = console()
    for profile, predictions in zip(ready.profiles, ready.predictions, strict=True):
        show_heading(out, profile)
        paired = show_pair(out, profile, ready.tracks, predictions)
        if not paired or len(ready.tracks) > 2:
            show_tracks(out, ready.tracks, predictions)
        show_delivery(out, ready.tracks, predictions)
        if reasons or not paired:
            for number, found in enumerate(predictions, 1):
                if isinstance(found, Prediction):
                    paragraph(out, found.decision.reason, bullet=f"{number:>3}. ")
        out.print()
    if len(ready.profiles) == 1:
        paragraph(out, "Other players: --profile all, or ids from `fairhearing profiles list`.")


def _data(ready: PreparedPlaylist, as_json: bool) -> None:
    from simulator.normalizer.prediction import Prediction
    from simulator.text.json_form import SCHEMA, prediction_object

    objects: list[dict[str, Any]] = []
    for profile, predictions in zip(ready.profiles, ready.predictions, strict=True):
        rows = []
        for one, found in zip(ready.tracks, predictions, strict=True):
            good = found if isinstance(found, Prediction) else None
            rows.append(prediction_object(one.track, good, str(one.problem or found or "")))
        objects.append(
            {"schema": SCHEMA, "profile": profile.id, "target_lufs": profile.target_lufs, "tracks": rows}
        )
    if as_json:
        print_json(objects)
    else:
        print_csv([{"profile": one["profile"], **_limited(row)} for one in objects for row in one["tracks"]])


def _limited(row: dict[str, Any]) -> dict[str, Any]:
    """A row whose `limited_by` names the limiter where the table does."""
    from simulator.text.findings_peaks import limiter_acts

    if not limiter_acts(row.get("limiter_max_reduction_db")):
        return row
    by = row["limited_by"]
    return {**row, "limited_by": "limiter" if by == "nothing" else f"{by} limiter"}
