"""Playlist formats, read and written: TOML (this project's own), M3U/M3U8 and XSPF.

Every parser returns a Playlist whose track paths are as written (percent-encoding undone, file:// removed);
the reader makes them absolute. Nothing is fetched: a web address keeps its place with a sentence. Sources:
XSPF 1 (the open playlist format, namespace http://xspf.org/ns/0/), RFC 3986 for its addresses; M3U has no
standard: common practice, no source.
"""

from __future__ import annotations

import json
import re
from pathlib import PurePath
from typing import Annotated
from urllib.parse import quote, unquote, urljoin, urlsplit
from xml.etree.ElementTree import Element, ParseError, SubElement, indent, tostring

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring
from msgspec import Meta, Struct
from msgspec.structs import asdict

from simulator.common.errors import PlaylistError
from simulator.common.listening import State
from simulator.common.toml_tables import read_toml
from simulator.playlists.playlist import (
    ALL_SINGLES,
    NAMED_ALBUMS,
    Playlist,
    Role,
    Track,
    one_album,
    title_from_path,
)

ON_THE_NET = (
    "This entry is a web address ({scheme}), and nothing is downloaded: save the file and enter its path."
)
ELSEWHERE = "This entry is a file on another machine ({host}): copy the file and enter the copy's path."
NO_FILE = "This entry has no file: enter a path."
NUL = "This entry's path contains a null character, which file names cannot: retype the path."


class _TrackTable(Struct, frozen=True, forbid_unknown_fields=True):
    path: Annotated[str, Meta(min_length=1)]
    title: str = ""
    artist: str = ""
    role: Role = "master"
    song: Annotated[str, Meta(min_length=1)] | None = None
    album: Annotated[str, Meta(min_length=1)] | None = None
    album_order: Annotated[int, Meta(ge=1)] | None = None
    decision: Annotated[str, Meta(min_length=1)] | None = None


class _PlaylistFile(Struct, frozen=True, forbid_unknown_fields=True):
    format: int
    tracks: list[_TrackTable]
    title: str = ""
    client: str = ""
    profile: Annotated[str, Meta(min_length=1)] | None = None
    state: State = "played"
    decision: Annotated[str, Meta(min_length=1)] | None = None


def parse_playlist(data: bytes, name: str, where: str) -> Playlist:
    """The playlist in the bytes of the file called `name`, whose extension tells the format; `where`
    is the file as messages name it. Raises PlaylistError."""
    extension = PurePath(name).suffix[1:].lower()
    if extension == "xspf":
        return parse_xspf(data, title_from_path(name), where)
    text = decode_text(data, where, latin_1_too=extension == "m3u")
    if extension == "toml":
        return parse_toml(text, title_from_path(name), where)
    return parse_m3u(text, title_from_path(name), where)


def decode_text(data: bytes, where: str, latin_1_too: bool = False) -> str:
    """UTF-8 with or without its mark; an .m3u that is not UTF-8 is read as ISO 8859-1."""
    if b"\0" in data:
        raise PlaylistError(f"{where}: not UTF-8 text.", "Save it as plain text in UTF-8.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        if latin_1_too:
            return data.decode("latin-1")
        raise PlaylistError(
            f"{where}: byte {problem.start + 1} is not UTF-8.", "Save the playlist as plain text in UTF-8."
        ) from None


def parse_toml(text: str, name: str, where: str) -> Playlist:
    """`format = 1`, title, client, profile, state, decision, and a [[tracks]] table for each track."""
    read = read_toml(text, _PlaylistFile, where, PlaylistError)
    if not read.tracks:
        raise PlaylistError(f"{where}: no tracks.", 'Add [[tracks]] with path = "...".')
    tracks = []
    for number, entry in enumerate(read.tracks, start=1):
        if entry.album_order is not None and entry.album is None:
            raise PlaylistError(
                f"{where}: track {number}: album_order is {entry.album_order}, but no album is set.",
                "Add the album's name, or remove album_order.",
            )
        path, problem = _checked_path(entry.path)
        title, decision = entry.title or title_from_path(path), entry.decision or read.decision
        values = asdict(entry) | {"path": path, "title": title, "decision": decision}
        tracks.append(Track(**values, problem=problem))
    reason = NAMED_ALBUMS if any(track.album for track in tracks) else ALL_SINGLES
    return Playlist(read.title or name, read.client, read.profile, tuple(tracks), where, reason, read.state)


def parse_m3u(text: str, name: str, where: str) -> Playlist:
    """A path on each line; `#EXTINF:seconds,Artist - Title` names the next one, `#PLAYLIST:` the whole."""
    tracks: list[Track] = []
    title = artist = ""
    for line in (raw.strip(" \t") for raw in re.split(r"\r\n|\n|\r", text)):
        if line.startswith("#EXTINF:"):
            # Attributes with commas in quotes may stand before the comma that starts the title.
            match = re.match(r'#EXTINF:(?:[^,"]|"[^"]*")*,(.*)', line)
            artist, title = _artist_and_title(match.group(1).strip() if match else "")
        elif line.startswith("#PLAYLIST:"):
            name = line.removeprefix("#PLAYLIST:").strip() or name
        elif line and not line.startswith("#"):
            path, problem = _checked_path(line)
            tracks.append(Track(path, title or title_from_path(path), artist, problem=problem))
            title = artist = ""
    if not tracks:
        raise PlaylistError(f"{where}: no tracks.", "Write one path on each line.")
    return one_album(name, "playlist", tuple(tracks), where)


def parse_xspf(data: bytes, name: str, where: str) -> Playlist:
    """The tracks of an XSPF document. Document types and entities are refused, so nothing expands and
    nothing outside is opened. An <album> of a track is its album key."""
    try:
        root: Element = fromstring(data, forbid_dtd=True)
    except DefusedXmlException:
        raise PlaylistError(
            f"{where}: this XSPF declares a document type or entities, which are not supported.",
            "Remove the <!DOCTYPE ...> part.",
        ) from None
    except (ParseError, ValueError, LookupError) as problem:
        raise PlaylistError(
            f"{where}: not valid XML: {problem}.", "Export the playlist again as XSPF."
        ) from None
    if _local(root) != "playlist":
        raise PlaylistError(
            f"{where}: this XML is not XSPF: its root is <{_local(root)}>.",
            "Save the playlist as XSPF.",
        )
    base = root.get(_XML_BASE, "")
    tracks = [
        _xspf_track(track, _from_base(base, group.get(_XML_BASE, "")))
        for group in root
        if _local(group) == "trackList"
        for track in group
        if _local(track) == "track"
    ]
    if not tracks:
        raise PlaylistError(f"{where}: no tracks.", "Add tracks to its <trackList>.")
    title = _child(root, "title") or name
    if not any(track.album for track in tracks):
        return one_album(title, "playlist", tuple(tracks), where)
    return Playlist(title, "", None, tuple(tracks), where, NAMED_ALBUMS)


_XML_BASE = "{http://www.w3.org/XML/1998/namespace}base"


def _xspf_track(track: Element, base: str) -> Track:
    address = _child(track, "location")
    path, problem = "", NO_FILE
    if address:
        path, problem = _from_uri(_from_base(_from_base(base, track.get(_XML_BASE, "")), address))
    title, album, order = (_child(track, key) for key in ("title", "album", "trackNum"))
    return Track(
        path=path,
        title=title or title_from_path(path) or "(no title)",
        artist=_child(track, "creator"),
        album=album or None,
        album_order=int(order) if album and order.isascii() and order.isdigit() and len(order) < 6 else None,
        problem=problem,
    )


def _from_base(base: str, address: str) -> str:
    """The address resolved against a base; an invalid base does not count."""
    try:
        return urljoin(base, address)
    except ValueError:
        return address


def _local(element: Element) -> str:
    """An element's name without its namespace."""
    return element.tag.rpartition("}")[2]


def _child(parent: Element, name: str) -> str:
    """The text of the first child of that name, in one line; empty where there is none."""
    return next(
        (re.sub(r"\s*[\r\n]\s*", " ", (one.text or "").strip()) for one in parent if _local(one) == name), ""
    )


def _artist_and_title(line: str) -> tuple[str, str]:
    """`Artist - Title` in two; a line without that dash is a title."""
    artist, dash, title = line.partition(" - ")
    return (artist.strip(), title.strip()) if dash and title.strip() else ("", line)


def _checked_path(path: str) -> tuple[str, str]:
    """A path as written in a text, and what is wrong with it. It is an address where // follows the scheme:
    file names may contain a colon."""
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", path):
        return _from_uri(path)
    return _named(path)


def _from_uri(uri: str) -> tuple[str, str]:
    """The path that an address names, and what is wrong with it."""
    try:
        parts = urlsplit(uri)
    except ValueError:
        return uri, NO_FILE
    # One letter is a drive, not a scheme; untested outside Linux.
    if len(parts.scheme) == 1:
        return _named(unquote(uri, errors="surrogateescape"))
    if parts.scheme not in ("", "file"):
        return uri, ON_THE_NET.format(scheme=parts.scheme)
    if parts.netloc not in ("", "localhost"):
        return uri, ELSEWHERE.format(host=parts.netloc)
    # In a file's name that a careless writer left unescaped, `?` and `#` do not begin a query.
    tail = ("?" + parts.query if parts.query else "") + ("#" + parts.fragment if parts.fragment else "")
    path = unquote(parts.path + tail, errors="surrogateescape")
    return _named(re.sub(r"^/([A-Za-z]:[/\\])", r"\1", path))


def _named(path: str) -> tuple[str, str]:
    """A path for the file system, and what is wrong with it."""
    return path, NO_FILE if not path else NUL if "\0" in path else ""


def playlist_text(playlist: Playlist, extension: str, where: str) -> str:
    """The playlist as text in the format of that extension, its paths as they are. XSPF holds albums, but no
    versions and roles; M3U paths, artists and titles only. Raises PlaylistError, naming the file `where`, for
    a path that the format cannot hold."""
    if extension == "xspf":
        return _xspf(playlist)
    for track in playlist.tracks:
        lost = extension != "toml" and (re.search(r"[\r\n]", track.path) or track.path[-1:] in (" ", "\t"))
        if lost or re.search("[\ud800-\udfff]", track.path):
            raise PlaylistError(
                f"{where}: .{extension} cannot hold the file name {track.path!r}.", "Write an .xspf file."
            )
    return _toml(playlist) if extension == "toml" else _m3u(playlist)


def left_out(playlist: Playlist, extension: str) -> list[str]:
    """What the playlist holds and that format cannot."""
    if extension == "toml":
        return []
    tracks = playlist.tracks
    held = {
        "versions of a song": any(track.song for track in tracks),
        "references": any(track.role != "master" for track in tracks),
        "decisions": any(track.decision for track in tracks),
        "the player": playlist.profile is not None,
        "albums": extension != "xspf" and playlist.album_reason in (NAMED_ALBUMS, ALL_SINGLES),
    }
    return [words for words, there in held.items() if there]


def _toml(playlist: Playlist) -> str:
    together = playlist.album_reason not in (NAMED_ALBUMS, ALL_SINGLES)
    state = "" if playlist.state == "played" else playlist.state
    lines = ["format = 1"]
    lines += _keys(title=playlist.title, client=playlist.client, profile=playlist.profile, state=state)
    for track in playlist.tracks:
        album = (track.album or playlist.title or "album") if together else track.album
        lines += ["", "[[tracks]]", f"path = {toml_text(track.path)}", f"title = {toml_text(track.title)}"]
        lines += _keys(artist=track.artist, song=track.song, album=album, decision=track.decision)
        lines += _keys(role="" if track.role == "master" else track.role)
        if track.album_order is not None:
            lines.append(f"album_order = {track.album_order}")
    return "\n".join(lines) + "\n"


def _keys(**values: str | None) -> list[str]:
    """A line for each value that is not empty."""
    return [f"{key} = {toml_text(value)}" for key, value in values.items() if value]


def toml_text(text: str) -> str:
    """A TOML string: JSON's, but for the one control character that JSON does not escape."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _m3u(playlist: Playlist) -> str:
    lines = ["#EXTM3U"]
    lines += [f"#PLAYLIST:{playlist.title}"] if playlist.title else []
    for track in playlist.tracks:
        named = f"{track.artist} - {track.title}" if track.artist else track.title
        # a line that begins with # is a comment, and spaces before a path are dropped
        path = f"./{track.path}" if track.path[:1] in "# \t" else track.path
        lines += [f"#EXTINF:-1,{named}", path]
    return "\n".join(lines) + "\n"


def _xspf(playlist: Playlist) -> str:
    named = playlist.album_reason == NAMED_ALBUMS
    root = Element("playlist", version="1", xmlns="http://xspf.org/ns/0/")

    def add(parent: Element, name: str, text: str | None) -> None:
        if text:
            SubElement(parent, name).text = text

    add(root, "title", playlist.title)
    tracks = SubElement(root, "trackList")
    for track in playlist.tracks:
        made = SubElement(tracks, "track")
        add(made, "location", track.path if "://" in track.path else _uri(track.path))
        add(made, "title", track.title)
        add(made, "creator", track.artist)
        add(made, "album", track.album if named else None)
        add(made, "trackNum", str(track.album_order) if named and track.album_order else None)
    indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(root, encoding="unicode")}\n'


def _uri(path: str) -> str:
    """A path as an address (RFC 3986): relative, or with file:// before it."""
    drive = path[:2] if re.match(r"[A-Za-z]:[/\\]", path) else ""
    rest = path[2:].replace("\\", "/") if drive else path
    address = quote(rest, safe="/", errors="surrogateescape")
    return f"file:///{drive}{address}" if drive else f"file://{address}" if rest.startswith("/") else address
