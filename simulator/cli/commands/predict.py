"""`fairhearing predict`: what normalising players will do, in figures and words."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from simulator.cli.options import (
    CacheOptions,
    amount_options,
    cache_options,
    figure_option,
    profile_option,
    refuse_both,
    say_problems,
)
from simulator.cli.output import Amount, print_csv, print_json
from simulator.common.errors import ExitCode

if TYPE_CHECKING:
    from simulator.cli.steps.album import Album
    from simulator.cli.steps.prepare import PreparedPlaylist


@click.command("predict")
@click.argument("inputs", nargs=-1, required=True)
@profile_option
@click.option(
    "--against",
    metavar="NAME|NUMBER",
    help="The version that the others are held against. Default: the first.",
)
@click.option("--names", metavar="A,B,...", help="Short names for the versions, in order.")
@click.option(
    "--album",
    "as_album",
    is_flag=True,
    help="Show the masters as one album, in this order (the first version of each song).",
)
@click.option(
    "--relation",
    metavar="equal|loudest|OFFSETS",
    help="Trims that bring the songs of an album to one integrated loudness, one loudest passage, or offsets "
    "in LU (0,-3,0). Implies --album; advice only.",
)
@figure_option(
    "Draw the level of each version as played, player by player; of an album, its loudness over time."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON (one object per profile, unrounded).")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV (one row per profile and track, unrounded).")
@click.option("--reasons", is_flag=True, help="Give the reason for every gain.")
@amount_options
@cache_options
def command(
    inputs: tuple[str, ...],
    profiles: tuple[str, ...],
    against: str | None,
    names: str | None,
    as_album: bool,
    relation: str | None,
    figures: tuple[Path, ...],
    force: bool,
    as_json: bool,
    as_csv: bool,
    reasons: bool,
    amount: Amount,
    cache: CacheOptions,
) -> int:
    """Predict what players do to INPUTS: audio files, folders, playlists, or the word demo.

    A player here is a playback system that may turn tracks up or down to a target loudness. Two to six
    versions of a song are shown side by side. Without --profile: the playlist's own, else minus14-headroom.
    """
    from simulator.cli.steps.album import Album, as_one_album, parse_relation
    from simulator.cli.steps.prepare import nothing_played, nothing_read, prepare
    from simulator.engine.playlists import read_arguments
    from simulator.storage.writing import check_pictures

    refuse_both("--json", "--csv", as_json and as_csv)
    refuse_both("--album", "--against", (as_album or bool(relation)) and against is not None)
    refuse_both("--album", "--names", (as_album or bool(relation)) and names is not None)
    check_pictures(figures, force)
    wanted, one_album, playlist = parse_relation(relation), as_album or bool(relation), read_arguments(inputs)
    playlist = as_one_album(playlist) if one_album else playlist
    ready = prepare(playlist, profiles, cache, versions=not one_album)
    album = Album(ready, wanted) if one_album and not ready.nothing else None
    if as_json or as_csv:
        _data(ready, album, as_json)
    elif album is not None:
        album.show(amount, reasons=reasons)
    else:
        _words(ready, against, names, reasons, amount)
    if figures and album is not None:
        album.draw(figures, force)
    elif figures and not ready.nothing:
        _pictures(ready, figures, against, names, force)
    if not ready.played_by(range(len(ready.profiles))):
        if as_json or as_csv:
            return ExitCode.NOTHING_DONE
        raise nothing_read() if ready.nothing else nothing_played(len(ready.profiles) == 1)
    return ExitCode.SOME_FAILED if ready.failed else ExitCode.DONE


def _words(
    ready: PreparedPlaylist, against: str | None, names: str | None, reasons: bool, amount: Amount
) -> None:
    from simulator.cli.output import Readout
    from simulator.cli.steps.predict import choose_shown, show

    say_problems(ready.problems)
    if not ready.nothing:
        show(Readout(amount), ready, choose_shown(ready.tracks, against, names), reasons=reasons)


def _pictures(
    ready: PreparedPlaylist, figures: tuple[Path, ...], against: str | None, names: str | None, force: bool
) -> None:
    from simulator.cli.steps.predict import MOST_DRAWN, answer, choose_shown, player_rows
    from simulator.common.errors import UsageError
    from simulator.storage.writing import refuse_sources, save_picture
    from simulator.text.charts.players import players_figure
    from simulator.text.charts.style import STYLE

    shown = choose_shown(ready.tracks, against, names)
    if len(shown.names) > MOST_DRAWN:
        raise UsageError(
            f"--figure draws at most {MOST_DRAWN} tracks, got {len(shown.names)}.",
            "Give the versions of one song, or fewer files.",
        )
    refuse_sources(figures, [track.track.path for track in ready.tracks])
    rows = player_rows(ready, shown)
    title = textwrap.fill(answer(ready, shown, rows), 100)
    for path in figures:
        save_picture(path, lambda: players_figure(shown.names, rows, shown.styles, title), STYLE, force)


def _data(ready: PreparedPlaylist, album: Album | None, as_json: bool) -> None:
    from simulator.normalizer.prediction import Prediction
    from simulator.text.json_form import SCHEMA, prediction_object

    objects: list[dict[str, Any]] = []
    for profile, predictions in ready.by_player():
        rows = []
        for place, (one, found) in enumerate(zip(ready.tracks, predictions, strict=True)):
            good = found if isinstance(found, Prediction) else None
            more = {} if album is None or good is None else album.columns(place)
            rows.append({**prediction_object(one.track, good, str(one.problem or found or "")), **more})
        objects.append(
            {"schema": SCHEMA, "profile": profile.id, "target_lufs": profile.target_lufs, "tracks": rows}
        )
    if as_json:
        print_json(objects)
    else:
        print_csv([{"profile": one["profile"], **_limited(row)} for one in objects for row in one["tracks"]])


def _limited(row: dict[str, Any]) -> dict[str, Any]:
    """A row whose `limited_by` names the limiter where the table does."""
    from simulator.text.players import limiter_acts

    if not limiter_acts(row.get("limiter_max_reduction_db")):
        return row
    by = row["limited_by"]
    return {**row, "limited_by": "limiter" if by == "nothing" else f"{by} limiter"}
