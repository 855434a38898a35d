"""Playlists on disk: the tracks that a command's arguments name, playlists written, and the demo.

An argument is a playlist (.toml, .m3u, .m3u8, .xspf), a folder, the word `demo`, or an audio file; anything
else counts as an audio file too, even where it is missing, so that it is named in its place. Paths are made
absolute; those of a playlist that is written are relative to its folder.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from urllib.parse import unquote

from simulator.common.errors import PlaylistError, SimulatorError
from simulator.engine.workers import default_workers, run
from simulator.playlists.formats import left_out, parse_playlist, playlist_text
from simulator.playlists.playlist import (
    AUDIO_EXTENSIONS,
    BARE_FILES,
    Playlist,
    Track,
    is_audio_name,
    is_playlist_name,
    joined_playlists,
    one_album,
    title_from_path,
)
from simulator.storage.bundled import bundled_folder
from simulator.storage.folders import cache_folder
from simulator.storage.process_life import name_mark, named_lives
from simulator.storage.small_files import LARGEST_PLAYLIST_BYTES, read_named
from simulator.storage.writing import make_folder, refusal, refuse_sources, whole_file, write_error


def read_playlists(arguments: Sequence[str]) -> Playlist:
    """One playlist of all that the arguments name, in their order; the audio files among them are one
    album. Raises PlaylistError where a playlist or folder cannot be read or holds no track."""
    if not arguments:
        raise PlaylistError("No file given.", "Give audio files, a folder or a playlist.")
    parts: list[Playlist | Track] = []
    for argument in arguments:
        if is_playlist_name(argument):
            parts.append(read_playlist(argument))
        elif os.path.isdir(argument):
            parts.append(read_folder(argument))
        else:
            parts.append(Track(absolute_path(argument, ""), title_from_path(argument)))
    files = tuple(part for part in parts if isinstance(part, Track))
    playlists = [part for part in parts if isinstance(part, Playlist)]
    title = files[0].title if len(files) == len(parts) == 1 else BARE_FILES
    loose = one_album(title, "command", files, ", ".join(arguments))
    if not playlists:
        return loose
    # The files keep their places between the playlists, and are one album all the same.
    whole = joined_playlists([*playlists, loose] if files else playlists)
    named = iter(whole.tracks)
    of_playlists = iter(list(islice(named, sum(len(part.tracks) for part in playlists))))
    tracks: list[Track] = []
    for part in parts:
        tracks.extend([next(named)] if isinstance(part, Track) else islice(of_playlists, len(part.tracks)))
    return replace(whole, tracks=tuple(tracks), source=", ".join(arguments))


def read_playlist(path: str) -> Playlist:
    """The playlist in a file; relative paths in it start from its folder."""
    data = read_named(path, LARGEST_PLAYLIST_BYTES, "this playlist", PlaylistError)
    playlist = parse_playlist(data, os.path.basename(path), path)
    folder = os.path.dirname(path)
    # a list may name one file many thousand times: the disk is asked once
    places = {track.path: "" for track in playlist.tracks if not track.problem}
    listed: Listed = {}
    places = {location: absolute_path(location, folder, listed) for location in places}
    tracks = tuple(
        track if track.problem else replace(track, path=places[track.path]) for track in playlist.tracks
    )
    profile = playlist.profile
    if profile is not None and (profile.endswith(".toml") or "/" in profile):
        profile = absolute_path(profile, folder)
    return replace(playlist, tracks=tracks, profile=profile)


def read_folder(path: str) -> Playlist:
    """The audio files of a folder, by name, numbers in names counted as numbers; not those of the
    folders inside it, and no hidden ones."""
    try:
        names = sorted(
            (
                entry.name
                for entry in os.scandir(path)
                if entry.is_file() and is_audio_name(entry.name) and not entry.name.startswith(".")
            ),
            key=_natural_order,
        )
    except OSError as problem:
        raise PlaylistError(
            f"{path}: cannot read this folder: {problem.strerror}.", "Check its permissions."
        ) from None
    if not names:
        raise PlaylistError(
            f"{path}: no audio files in this folder ({', '.join(AUDIO_EXTENSIONS)}).",
            "Give the folder that contains the files; its subfolders are not searched.",
        )
    tracks = tuple(Track(absolute_path(name, path), title_from_path(name)) for name in names)
    title = Path(path).absolute().name or path
    return one_album(title, "folder", tracks, path)


Listed = dict[str, dict[str, list[str]]]
"""For each folder that was listed: its names by what they are to other systems."""


def absolute_path(location: str, folder: str, listed: Listed | None = None) -> str:
    """The absolute path of `location`, starting from `folder`. Where there is no such file, the
    spellings that other systems write into playlists are tried: backslashes, composed or
    decomposed accents, %20, and at last, name by name, letters of another case, spaces at the ends and bytes
    that are not UTF-8, where exactly one name fits. `..` stays, as a link before it may lead elsewhere.
    `listed` keeps the folders' names from call to call."""
    start = Path(folder).absolute()
    slashed = location.replace("\\", "/")
    spellings = (
        location,
        slashed,
        unicodedata.normalize("NFC", slashed),
        unicodedata.normalize("NFD", slashed),
    )
    for spelling in dict.fromkeys(spellings):
        if os.path.exists(start / spelling):
            return str(start / spelling)
    known = {} if listed is None else listed
    for spelling in dict.fromkeys((slashed, unquote(slashed))):
        if "\0" not in spelling and (found := _by_names(start, spelling, known)) is not None:
            return found
    return str(start / location)


def _by_names(start: Path, location: str, listed: Listed) -> str | None:
    """The one path whose names are those of `location` to another system; None where none or several fit."""
    place = str(start)
    for part in Path(start / location).parts:
        if part in (os.sep, os.pardir) or os.path.exists(os.path.join(place, part)):
            place = os.path.join(place, part)
            continue
        if place not in listed:
            names: dict[str, list[str]] = {}
            try:
                for name in os.listdir(place):
                    names.setdefault(_plain_name(name), []).append(name)
            except OSError:
                pass
            listed[place] = names
        fitting = listed[place].get(_plain_name(part), [])
        if len(fitting) != 1:
            return None
        place = os.path.join(place, fitting[0])
    return place


def _plain_name(name: str) -> str:
    data = os.fsencode(name)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return unicodedata.normalize("NFC", text).casefold().strip()


def _natural_order(name: str) -> tuple[list[tuple[int, int, str]], str]:
    parts = re.findall(r"\d+|\D+", name.casefold())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts], name


def save_playlist(playlist: Playlist, path: Path, force: bool) -> list[str]:
    """Writes the playlist in the format of the path's ending, with paths relative to its folder; what the
    format could not hold. Raises PlaylistError, WriteError."""
    folder = os.path.abspath(path.parent)
    tracks = tuple(
        track if track.problem else replace(track, path=_relative(track.path, folder))
        for track in playlist.tracks
    )
    profile = playlist.profile
    if profile is not None and os.path.isabs(profile):
        profile = _relative(profile, folder)
    title = path.stem if playlist.title in ("", BARE_FILES) else playlist.title
    extension = path.suffix[1:].lower()
    text = playlist_text(replace(playlist, tracks=tracks, profile=profile, title=title), extension, str(path))
    refuse_sources([path], [track.path for track in playlist.tracks])
    with whole_file(path, force) as passing:
        passing.write_text(text, encoding="utf-8", newline="\n")
    return left_out(playlist, extension)


def _relative(path: str, folder: str) -> str:
    """The path from a folder, with slashes; as it is where that would lead elsewhere (a link on the way, or
    another drive)."""
    try:
        found = os.path.relpath(path, folder)
        same = os.path.samefile(os.path.join(folder, found), path)
    except FileNotFoundError:
        same = ".." not in Path(path).parts
    except (OSError, ValueError):
        return path
    return found.replace(os.sep, "/") if same else path


DEMO = "demo"


def read_arguments(arguments: Sequence[str]) -> Playlist:
    """The playlist of the arguments; `demo` is the demo's playlist, made first where it is missing (a file or
    folder of that name needs its path: ./demo)."""
    words = list(arguments)
    if DEMO in words:
        made = os.fspath(demo_playlist())
        words = [made if word == DEMO else word for word in words]
    return read_playlists(words)


MAKING = ".making-"
Piece = tuple[str, str, str]
"""A score's name, its text, and the folder to write to."""


def demo_playlist(most_workers: int | None = None) -> Path:
    """The path of the demo's playlist, with its audio beside it. Made where it is missing, in the cache
    folder: written to a folder of its own and moved into place in one step, so that it is whole or not
    there."""
    from simulator.demo.demo import fingerprint, scores

    texts = {
        path.stem: path.read_text(encoding="utf-8")
        for path in sorted(bundled_folder("demo_playlist").glob("*.toml"))
    }
    home = cache_folder() / "demo"
    folder = home / fingerprint(texts)
    playlist = folder / "playlist.toml"
    if playlist.is_file():
        return playlist
    making = home / f"{MAKING}{name_mark(os.getpid())}"
    make_folder(making)
    for old in home.glob(f"{MAKING}*"):  # what a run that was killed has left
        with contextlib.suppress(ValueError):
            if not named_lives(old.name.removeprefix(MAKING)):
                shutil.rmtree(old, ignore_errors=True)
    try:
        jobs: list[Piece] = [(name, texts[name], os.fspath(making)) for name in scores(texts)]
        workers = default_workers() if most_workers is None else most_workers
        for _, result in run(write_piece, jobs, workers if workers > 1 else 0, lambda job: f"demo {job[0]}"):
            if isinstance(result, SimulatorError):
                raise result
        (making / "playlist.toml").write_text(texts["playlist"], encoding="utf-8")
        try:
            os.rename(making, folder)
        except OSError:
            if not playlist.is_file():  # else another process was quicker, and its files are the same
                raise
    except OSError as problem:
        raise write_error(home, problem) from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(making)
    return playlist


def write_piece(job: Piece) -> list[str]:
    """Plays one score and writes its masters as 24-bit WAV; the names written."""
    import numpy as np
    import soundfile

    from simulator.demo.demo import files, read_score

    name, text, folder = job
    stems = []
    for stem, rate, samples in files(read_score(name, text)):
        path = os.path.join(folder, f"{stem}.wav")
        # rounded here, since libsndfile truncates; nothing is above full scale in a master
        steps = np.rint(samples.astype(np.float64) * 2.0**23).clip(-(2**23), 2**23 - 1).astype(np.int32)
        try:
            soundfile.write(path, steps << 8, rate, subtype="PCM_24")
        except (OSError, RuntimeError) as problem:
            why = problem if isinstance(problem, OSError) else refusal(Path(path), str(problem))
            raise write_error(Path(path), why) from None
        stems.append(stem)
    return stems
