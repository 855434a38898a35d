"""`fairhearing export`: a session's remarks as CSV or WebVTT, and playlists in open formats."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from simulator.cli.options import warn
from simulator.common.text import as_utf8, counted
from simulator.playlists.playlist import PLAYLIST_EXTENSIONS

if TYPE_CHECKING:
    from simulator.text.remarks import Remark

REMARKS = (".csv", ".vtt")
PLAYLISTS = tuple(f".{extension}" for extension in PLAYLIST_EXTENSIONS)


@click.command("export")
@click.argument("inputs", nargs=-1, required=True)
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    metavar="FILE",
    help="What to write: .csv or .vtt for a session's remarks; .toml, .m3u8, .m3u or .xspf for a playlist.",
)
@click.option("--track", type=click.IntRange(1), help="Only the remarks on this track, by its number.")
@click.option("--force", is_flag=True, help="Overwrite existing files.")
def command(inputs: tuple[str, ...], output: Path, track: int | None, force: bool) -> None:
    """Write what other programs can read: a session's remarks, or a playlist.

    Remarks are decisions, marks, notes and clients' comments. INPUTS are then a session file, or the playlist
    or files of that session. CSV has one row per remark; WebVTT has one chapter per remark, for one track.

    For a playlist, INPUTS are audio files, folders, playlists, or the word demo. Paths in it are relative to
    its folder. `render --cues SESSION` puts remarks into WAV files as cue points.
    """
    from simulator.cli.output import csv_text, save_text
    from simulator.engine.playlists import read_arguments, save_playlist
    from simulator.storage.writing import refuse_existing, refuse_sources
    from simulator.text.remarks import COLUMNS, remark_rows

    ending = output.suffix.lower()
    if ending not in (*REMARKS, *PLAYLISTS):
        raise click.UsageError(f"-o {output}: the ending must be one of {', '.join((*REMARKS, *PLAYLISTS))}.")
    refuse_existing([output], force)
    refuse_sources([output], inputs)
    if ending in PLAYLISTS:
        if track is not None:
            raise click.UsageError("--track is for remarks (.csv, .vtt), not for a playlist.")
        playlist = read_arguments(inputs)
        lost = save_playlist(playlist, output, force)
        click.echo(f"{output}: {counted(len(playlist.tracks), 'track')}")
        if lost:
            warn(f"{ending} cannot hold {', '.join(lost)}: write .toml to keep everything.")
        return
    remarks = [remark for remark in session_remarks(inputs) if track in (None, remark.track)]
    text = csv_text(remark_rows(remarks), COLUMNS) if ending == ".csv" else as_utf8(_webvtt(remarks))
    save_text(output, text, force)
    click.echo(f"{output}: {counted(len(remarks), 'remark')}")


def session_remarks(inputs: tuple[str, ...]) -> list[Remark]:
    """The remarks of the session that the inputs name. Raises UsageError where there is no session file, or
    it holds no remark."""
    from simulator.common.errors import UsageError
    from simulator.engine.playlists import read_arguments
    from simulator.storage.session_file import is_record, read_record, record_of
    from simulator.text.remarks import remarks

    named = len(inputs) == 1 and is_record(inputs[0])
    path = record_of(inputs, [] if named else [track.path for track in read_arguments(inputs).tracks])
    record = read_record(path)
    if record is None:
        raise UsageError(
            f"{path}: no such session file.", "Give NAME.session.json, or the session's playlist."
        )
    found = remarks(record.acts)
    if not found:
        raise UsageError(
            f"{path}: no decision, mark, note or comment yet.", "Make one in the session: mark chorus"
        )
    return found


def cues_of(session: str) -> dict[str, list[tuple[float, str]]]:
    """By a track's path: the places (s) of a session's remarks on it, and their labels."""
    found: dict[str, list[tuple[float, str]]] = {}
    for one in session_remarks((session,)):
        if one.place_s is not None:
            found.setdefault(one.path, []).append((one.place_s, one.label))
    return found


def _webvtt(remarks: list[Remark]) -> str:
    """The chapters of one track. Raises UsageError where the remarks are on several."""
    from simulator.audio_files.reader import read_info
    from simulator.common.errors import SimulatorError, UsageError
    from simulator.text.remarks import webvtt

    remarks = [remark for remark in remarks if remark.place_s is not None and remark.track is not None]
    tracks = {remark.track: remark.title for remark in remarks}
    if len(tracks) != 1:
        known = ", ".join(f"{number} {title}" for number, title in tracks.items()) or "none"
        raise UsageError("WebVTT chapters are for one track.", f"Add --track. With remarks: {known}.")
    try:
        info = read_info(remarks[-1].path)
        duration_s = info.frames / info.sample_rate
    except SimulatorError:
        duration_s = None
    return webvtt(remarks, duration_s)
