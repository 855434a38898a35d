"""`fairhearing listen`: the listening session, a playlist heard as a player would play it."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from simulator.cli.options import CacheOptions, cache_options, profile_option, refuse_both, say_problems
from simulator.common.text import visible
from simulator.engine.streams import lead_to_null

if TYPE_CHECKING:
    from simulator.cli.steps.prepare import PreparedPlaylist
    from simulator.deck.interface import Deck as Player
    from simulator.desk.artist_screen import ArtistScreen
    from simulator.desk.background import Aligner, Studio
    from simulator.desk.controller import Outside
    from simulator.session.state import Session
    from simulator.storage.session_file import RecordFile

LOG = "listen.log"
HISTORY = "listen-history"
WIDTH = 80
MOST_CHANNELS = 256
DUMB = ("dumb", "unknown")


def _output_pair(_: click.Context, __: click.Parameter, text: str | None) -> tuple[int, int] | None:
    """Two channels, counted from 0."""
    if text is None:
        return None
    try:
        left, right = (int(one) for one in text.split(","))
    except ValueError:
        left = right = 0
    if min(left, right) < 1 or max(left, right) > MOST_CHANNELS or left == right:
        raise click.BadParameter(f"{text} is not two different channels, counted from 1. Example: 3,4")
    return left - 1, right - 1


@click.command("listen")
@click.argument("inputs", nargs=-1, required=True)
@profile_option
@click.option("--device", metavar="NAME", help="Output device, by name or part of it.")
@click.option(
    "--to-file",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="OUT.wav",
    help="Render the session to a WAV instead of a device, faster than real time (use wait in scripts).",
)
@click.option("--force", is_flag=True, help="Overwrite an existing --to-file.")
@click.option(
    "--rate",
    type=click.IntRange(8_000, 384_000),
    metavar="HZ",
    help="Sample rate of the device or --to-file.",
)
@click.option(
    "--channels",
    "pair",
    metavar="L,R",
    callback=_output_pair,
    help="Channels of the device for left and right, such as 3,4.",
)
@click.option("--exclusive", is_flag=True, help="Keep other programs off the device (Windows, macOS).")
@click.option(
    "--screen",
    is_flag=True,
    help="Show the artist the song and the moment, in a browser on a second display.",
)
@click.option(
    "--screen-address",
    metavar="ADDR",
    help="Serve --screen on this address of the computer, for a browser elsewhere. It needs the key shown.",
)
@cache_options
def command(
    inputs: tuple[str, ...],
    profiles: tuple[str, ...],
    device: str | None,
    to_file: Path | None,
    force: bool,
    rate: int | None,
    pair: tuple[int, int] | None,
    exclusive: bool,
    screen: bool,
    screen_address: str | None,
    cache: CacheOptions,
) -> int:
    """Opens a listening session on INPUTS (audio files, folders, playlists, or the word demo).

    Hear tracks as a player would play them and switch at the same moment of the song. With several profiles
    the session starts on the first. Without a terminal, the same commands are read as plain lines.
    """
    from simulator.cli.steps.prepare import nothing_read, prepare
    from simulator.common.errors import ExitCode
    from simulator.deck.interface import OutputChoice
    from simulator.deck.live import LiveDeck
    from simulator.deck.to_file import FileDeck
    from simulator.engine.playlists import read_arguments
    from simulator.engine.streams import native_messages_logged
    from simulator.storage.folders import cache_folder
    from simulator.storage.writing import refuse_sources

    screen = screen or screen_address is not None
    refuse_both("--device", "--to-file", device is not None and to_file is not None)
    refuse_both("--screen", "--to-file", screen and to_file is not None)
    refuse_both("--channels", "--to-file", pair is not None and to_file is not None)
    refuse_both("--exclusive", "--to-file", exclusive and to_file is not None)
    choice = OutputChoice(device, rate, pair, exclusive)
    opened: Player | None = None
    shown = None
    try:
        if screen:
            from simulator.desk.artist_screen import LOOPBACK, ArtistScreen

            shown = ArtistScreen(screen_address or LOOPBACK)
        # a device opens in a process of its own meanwhile; the rate of a file comes from the tracks
        opened = None if to_file is not None else LiveDeck(choice)
        ready = prepare(read_arguments(inputs), profiles, cache)
        say_problems(track.problem for track in ready.tracks)
        if ready.nothing:
            raise nothing_read()
        if to_file is not None and (force or not to_file.exists()):
            kept_in = os.fspath(_record_path(inputs, ready))
            refuse_sources([to_file], [*(track.track.path for track in ready.tracks), kept_in])
        if to_file is not None:
            opened = FileDeck(to_file, rate or _rate(ready), force=force)
        assert opened is not None
        player = opened
        with native_messages_logged(cache_folder() / LOG):
            code, saved = _listen(inputs, ready, player, shown, cache)
            player.close()
        if isinstance(player, FileDeck) and not player.played:
            _say(f"Nothing was played, so {to_file} was not written. Example script: play, then wait 10")
    finally:
        if opened is not None:
            opened.close()
        if shown is not None:
            shown.close()
    if code:
        raise SystemExit(code)
    if not saved:
        return ExitCode.NOTHING_DONE
    return ExitCode.SOME_FAILED if ready.failed else ExitCode.DONE


def _listen(
    inputs: tuple[str, ...],
    ready: PreparedPlaylist,
    player: Player,
    shown: ArtistScreen | None,
    cache: CacheOptions,
) -> tuple[int, bool]:
    """The session itself, on a terminal or without one: 0, or 128 + the signal that ended it; and whether all
    that was done is in the session file."""
    from simulator.desk.background import Aligner
    from simulator.desk.controller import Desk, Outside, paragraphs
    from simulator.desk.tracks import remembered_marks
    from simulator.desk.watch import FolderWatch
    from simulator.engine.interrupts import signals_held
    from simulator.session import provenance
    from simulator.session.log import missing
    from simulator.session.session import opened
    from simulator.storage.folders import config_folder, user_data_folder
    from simulator.storage.session_file import RecordFile, starting_trim_db

    interactive = _on_terminal()
    say: Callable[[str], None] = _say
    if interactive:
        from simulator.desk.prompt import Transcript, run_prompt

        say = texts = Transcript(_say_while_there)
    outside = Outside(say, config_folder(), screen=shown)
    aligner = Aligner(cache.folder, rehash=cache.rehash)
    session, studio = _session(ready, cache, outside, interactive, aligner)
    player.ready()
    leaving = contextlib.ExitStack()
    leaving.callback(studio.close)
    leaving.callback(aligner.close)
    code = 0
    try:
        with signals_held():  # no lock is taken without somebody to take it away
            record = RecordFile(_record_path(inputs, ready), say, ready.playlist.title)
            leaving.callback(_close, record, say)
        acts = record.record.acts
        session = replace(
            session, marks=remembered_marks(record.record, session.tracks), known=provenance.known_ids(acts)
        )
        watch = None
        if player.kind != "file":  # there time passes faster than anybody writes a file
            watch = FolderWatch({os.path.dirname(track.path) for track in session.tracks if track.delivered})
            leaving.callback(watch.close)
            watch.start()
        desk = Desk(session, player, record, studio, outside, scripted=not interactive, watch=watch)
        leaving.callback(desk.close)
        for profile in ready.profiles:
            studio.decode(profile)
        desk.open(*opened(session, starting_trim_db(outside.config), outside.at()))
        for changed in provenance.news(acts, session.tracks, session.profiles):
            say(paragraphs(changed, session.width))
        for name, other in record.copies().items():
            if words := provenance.copy_words(name, missing(record.record, other)):
                say(paragraphs(words, session.width))
        if shown is not None:
            say(f"Artist's screen: {shown.url}")
        if interactive:
            code = run_prompt(desk, user_data_folder() / HISTORY, texts)
        else:
            from simulator.desk.prompt import run_plain

            code = run_plain(desk, sys.stdin or (), _say, keep_on_interrupt=_is_terminal(sys.stdin))
    finally:
        with signals_held():  # a second Ctrl-C does not end the clearing away
            leaving.close()
    return code, not record.unsaved


def _close(record: RecordFile, say: Callable[[str], None]) -> None:
    """Takes the record's lock away and says where it lies; what is not in it is saved elsewhere, or shown."""
    from simulator.session.log import Record, to_json
    from simulator.storage.session_file import sessions_folder

    record.close()
    if record.kept:
        say(f"Session saved to {record.path}")
    if not record.unsaved:
        return
    copy = record.rescue(sessions_folder())
    if copy is not None:
        say(f"The session is NOT saved in {record.path}. A copy with everything in it: {copy}")
        say("  Move it back once that file can be written.")
        return
    say(f"The session is NOT saved, neither in {record.path} nor in the data folder. Copy what is new:")
    say(to_json(Record(record.record.title, record.unsaved)).decode().rstrip())


def _session(
    ready: PreparedPlaylist,
    cache: CacheOptions,
    outside: Outside,
    interactive: bool,
    aligner: Aligner,
) -> tuple[Session, Studio]:
    """The session as it stands before it is opened, and who works things out for it."""
    from simulator.desk.background import Studio
    from simulator.desk.tracks import track_views
    from simulator.session.codec_variants import behind_converter
    from simulator.session.state import Session
    from simulator.storage.bundled import ALL, load_profiles
    from simulator.storage.measurement_cache import ENCODED, Store

    profiles = {one.id: one for one in [*load_profiles([ALL]), *ready.profiles]}
    profiles |= {one.id: one for one in map(behind_converter, list(profiles.values()))}
    worked_out = [profile.id for profile in ready.profiles]
    session = Session(
        track_views(ready.tracks, ready.profiles, ready.predictions),
        profiles,
        worked_out[0],
        title=ready.playlist.title,
        client=ready.playlist.client,
        state=ready.playlist.state,
        width=shutil.get_terminal_size((WIDTH, 24)).columns if interactive else WIDTH,
    )

    def open_store() -> Store:
        return Store(cache.folder, lambda _: None, rehash=cache.rehash)

    studio = Studio(
        ready.playlist,
        ready.tracks,
        profiles,
        worked_out,
        open_store,
        outside.at,
        aligner.align,
        aligner.compare,
        None if cache.folder is None else cache.folder / ENCODED,
    )
    return session, studio


def _record_path(inputs: tuple[str, ...], ready: PreparedPlaylist) -> Path:
    """Beside the playlist, where one playlist is all that was named."""
    from simulator.playlists.playlist import is_playlist_name
    from simulator.storage.session_file import record_path

    playlist = Path(inputs[0]) if len(inputs) == 1 and is_playlist_name(inputs[0]) else None
    return record_path(playlist, [track.track.path for track in ready.tracks])


def _rate(ready: PreparedPlaylist) -> int:
    """The rate that most of the tracks have, so that least is resampled."""
    from collections import Counter

    return Counter(track.measurement.sample_rate for track in ready.tracks if track.measurement).most_common(
        1
    )[0][0]


def _on_terminal() -> bool:
    """True where there is a terminal on both ends that can draw a prompt."""
    return _is_terminal(sys.stdin) and _is_terminal(sys.stdout) and os.environ.get("TERM") not in DUMB


def _is_terminal(stream: TextIO | None) -> bool:
    try:
        return stream is not None and stream.isatty()
    except ValueError:  # closed
        return False


def _say(text: str) -> None:
    print(visible(text, "\n\t"), flush=True)


def _say_while_there(text: str) -> None:
    """To a terminal. Where its window was closed nobody reads any more, and the session is cleared away."""
    try:
        _say(text)
    except OSError as problem:
        if problem.errno != errno.EIO:
            raise
        lead_to_null(sys.stdout.fileno())
