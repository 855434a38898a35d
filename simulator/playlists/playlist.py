"""Playlist: what is played, in which order, and what belongs together.

A playlist is a list of tracks. Tracks with the same `album` key are one album, whose level a player
may set as a whole; tracks with the same `song` key are versions of one song, so alternatives. A
track that cannot be used (a file that is missing, an address on the net) keeps its place.
This module does not import numpy.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Literal

from simulator.common.listening import State
from simulator.common.text import visible

Role = Literal["master", "reference"]

PLAYLIST_EXTENSIONS = ("toml", "m3u8", "m3u", "xspf")
"""The richest first."""
AUDIO_EXTENSIONS = ("wav", "w64", "rf64", "aif", "aiff", "caf", "flac", "ogg", "oga", "opus", "mp3", "m4a")
"""Files of a folder that count as its tracks."""

BARE_FILES = "Files of this command"
"""Title of a playlist that is made of files named on the command line."""
ONE_ALBUM = "No album is set, so all files of this {what} count as one album."
NAMED_ALBUMS = "Albums as set in the playlist; a track without one is a single."
ALL_SINGLES = "The playlist sets no album, so each track is a single."


@dataclass(frozen=True, slots=True)
class Track:
    """One entry. `path` is absolute once the reader has resolved it. `problem` is empty, or a sentence that
    says why this entry can never be read. `decision` names the destination in the session file whose decision
    the check holds it against."""

    path: str
    title: str
    artist: str = ""
    role: Role = "master"
    song: str | None = None
    album: str | None = None
    album_order: int | None = None
    problem: str = ""
    decision: str | None = None

    def __post_init__(self) -> None:
        for name in ("title", "artist", "song", "album", "decision"):
            value = getattr(self, name)
            if value:
                object.__setattr__(self, name, visible(value))


@dataclass(frozen=True, slots=True)
class Playlist:
    """The tracks in playing order. `profile` is the default profile's id or path, if any; `state` how a
    listening session opens; `source` says what was read; `album_reason` is a sentence that says why albums
    are grouped as they are."""

    title: str
    client: str
    profile: str | None
    tracks: tuple[Track, ...]
    source: str
    album_reason: str
    state: State = "played"

    def __post_init__(self) -> None:
        for name in ("title", "client"):
            object.__setattr__(self, name, visible(getattr(self, name)))


def is_playlist_name(name: str) -> bool:
    """True for a name that ends like that of a playlist."""
    return PurePath(name).suffix[1:].lower() in PLAYLIST_EXTENSIONS


def is_audio_name(name: str) -> bool:
    """True for a name that ends like that of an audio file."""
    return PurePath(name).suffix[1:].lower() in AUDIO_EXTENSIONS


LONGEST_TITLE = 1000
"""Characters of a title that comes from a path; no file's name is that long."""


def title_from_path(path: str) -> str:
    """What a track without a title is called: its file's name without the extension."""
    return (PurePath(path.replace("\\", "/")).stem or path)[:LONGEST_TITLE]


def one_album(title: str, what: str, tracks: tuple[Track, ...], source: str) -> Playlist:
    """Tracks without album keys, as the one album that they count as; `what` names their container
    ("folder", "playlist", "command")."""
    together = tuple(replace(track, album=title) for track in tracks)
    return Playlist(title, "", None, together, source, ONE_ALBUM.format(what=what))


def album_places(playlist: Playlist, places: Iterable[int], *, as_album: bool) -> dict[int, str]:
    """The album (empty with `as_album`, which makes one of all) of each of the places that belongs to one:
    masters whose album the playlist names. Of versions of one song only the first counts."""
    found: dict[int, str] = {}
    songs: set[tuple[str, str | None, str]] = set()
    for place in places:
        track = playlist.tracks[place]
        named = track.album if playlist.album_reason == NAMED_ALBUMS else None
        album = "" if as_album else named
        if album is None or track.role != "master":
            continue
        if track.song is not None:
            version = (album, track.decision, track.song)
            if version in songs:
                continue
            songs.add(version)
        found[place] = album
    return found


def joined_playlists(playlists: list[Playlist]) -> Playlist:
    """Several playlists one after the other. Albums of different playlists stay apart even where they have
    the same name; songs with the same key are versions of one song across them. A default profile is kept
    unless two playlists name different ones."""
    if len(playlists) == 1:
        return playlists[0]
    taken: set[str] = set()
    tracks: list[Track] = []
    for playlist in playlists:
        names: dict[str, str] = {}
        for track in playlist.tracks:
            if track.album is not None and track.album not in names:
                names[track.album] = _free_name(track.album, taken)
            tracks.append(track if track.album is None else replace(track, album=names[track.album]))
        taken.update(names.values())
    states = {playlist.state for playlist in playlists}
    profiles = {playlist.profile for playlist in playlists if playlist.profile is not None}
    return Playlist(
        title=next((playlist.title for playlist in playlists if playlist.title), ""),
        client=next((playlist.client for playlist in playlists if playlist.client), ""),
        profile=profiles.pop() if len(profiles) == 1 else None,
        tracks=tuple(tracks),
        source=", ".join(playlist.source for playlist in playlists),
        album_reason=" ".join(dict.fromkeys(playlist.album_reason for playlist in playlists)),
        state=states.pop() if len(states) == 1 else "played",
    )


def _free_name(name: str, taken: set[str]) -> str:
    number, free = 1, name
    while free in taken:
        number += 1
        free = f"{name} ({number})"
    return free
