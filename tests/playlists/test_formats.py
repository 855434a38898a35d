"""TOML, M3U and XSPF texts become tracks with their paths as written; what cannot be used is refused
with a sentence, and an address on the net keeps its place."""

from __future__ import annotations

import pytest

from simulator.common.errors import PlaylistError
from simulator.playlists.formats import left_out, parse_playlist, playlist_text
from simulator.playlists.playlist import Track

TOML = """
format = 1
title = "For Nerida"
client = "Nerida"
profile = "minus14-headroom"

[[tracks]]
path = "masters/open.wav"
title = "Open"
artist = "Nerida"
song = "lanterns"
album = "Low Water"
album_order = 2

[[tracks]]
path = "refs/other.flac"
role = "reference"
"""

XSPF = """<?xml version="1.0" encoding="UTF-8"?>
<playlist version="1" xmlns="http://xspf.org/ns/0/">
  <title>Two songs</title>
  <trackList>{tracks}</trackList>
</playlist>
"""


def toml(text: str):
    return parse_playlist(text.encode(), "list.toml", "x/list.toml")


def m3u(text: str | bytes, name: str = "list.m3u8"):
    return parse_playlist(text if isinstance(text, bytes) else text.encode(), name, f"x/{name}")


def xspf(tracks: str, **attributes: str):
    text = XSPF.format(tracks=tracks)
    for old, new in attributes.items():
        text = text.replace(f"<{old}", f"<{old} {new}", 1)
    return parse_playlist(text.encode(), "list.xspf", "x/list.xspf")


def test_a_toml_playlist_gives_all_its_keys():
    playlist = toml(TOML)
    assert (playlist.title, playlist.client, playlist.profile) == ("For Nerida", "Nerida", "minus14-headroom")
    assert playlist.tracks == (
        Track("masters/open.wav", "Open", "Nerida", "master", "lanterns", "Low Water", 2),
        Track("refs/other.flac", "other", "", "reference", None, None, None),
    )
    assert playlist.album_reason == "Albums as set in the playlist; a track without one is a single."


def test_a_toml_playlist_without_albums_is_of_singles_and_is_called_as_its_file():
    playlist = toml('format = 1\n[[tracks]]\npath = "a.wav"\n[[tracks]]\npath = "b.wav"')
    assert [track.album for track in playlist.tracks] == [None, None]
    assert playlist.album_reason == "The playlist sets no album, so each track is a single."
    assert (playlist.title, playlist.client, playlist.profile) == ("list", "", None)


@pytest.mark.parametrize(
    ("old", "new", "says", "cure"),
    [
        ('role = "reference"', 'roll = "reference"', "unknown key `track 2: roll`",
         "Did you mean `track 2: role`?"),
        ('role = "reference"', 'role = "demo"',
         'track 2: role must be "master" or "reference", got "demo"', "Correct"),
        ('path = "refs/other.flac"\n', "", "the key `track 2: path` is missing", "text in quotes"),
        ('path = "refs/other.flac"', "path = 3", "track 2: path must be text in quotes, got 3", "Correct"),
        ("album_order = 2", "album_order = 0",
         "track 1: album_order must be a whole number of 1 or more, got 0", "Correct"),
        ('album = "Low Water"\n', "", "track 1: album_order is 2, but no album is set",
         "Add the album's name"),
        ("format = 1", "format = 7", "uses format 7", "newer version"),
        ("client =", "cleint =", "unknown key `cleint`", "Did you mean `client`?"),
        ('title = "For', 'title = For', "not valid TOML", "Correct the file there"),
    ],
)  # fmt: skip
def test_a_wrong_toml_playlist_is_refused_with_place_value_and_cure(old, new, says, cure):
    assert old in TOML
    with pytest.raises(PlaylistError) as caught:
        toml(TOML.replace(old, new, 1))
    assert caught.value.message.startswith("x/list.toml: ")
    assert says in caught.value.message
    assert cure in caught.value.hint


def test_an_m3u_gives_one_album_with_titles_and_artists():
    playlist = m3u(
        "\ufeff#EXTM3U\r\n#PLAYLIST:Evening\r\n#EXTINF:61,Nerida - Low - Water\r\none.wav\r\n\r\n"
        '#EXTINF:-1 a="b, c",Only a title\r\nsub/two.wav\r\n# a remark\r\n  three: the end.wav  \r\n'
    )
    assert playlist.tracks == (
        Track("one.wav", "Low - Water", "Nerida", album="Evening"),
        Track("sub/two.wav", "Only a title", "", album="Evening"),
        Track("three: the end.wav", "three: the end", "", album="Evening"),
    )
    assert (playlist.title, playlist.source) == ("Evening", "x/list.m3u8")
    assert playlist.album_reason == "No album is set, so all files of this playlist count as one album."


def test_an_m3u_that_is_not_utf_8_is_read_as_latin_1_and_an_m3u8_is_refused():
    data = "Größe.wav\n".encode("latin-1")
    assert m3u(data, "list.m3u").tracks[0].path == "Größe.wav"
    assert m3u("Größe.wav\n".encode(), "list.m3u").tracks[0].path == "Größe.wav"
    with pytest.raises(PlaylistError, match="byte 3 is not UTF-8"):
        m3u(data, "list.m3u8")


@pytest.mark.parametrize("data", [b"RIFF\0\0\0\0WAVE", "a.wav".encode("utf-16")])
def test_what_is_no_text_is_refused(data):
    with pytest.raises(PlaylistError, match="not UTF-8 text"):
        m3u(data, "list.m3u")


@pytest.mark.parametrize("name", ["list.m3u", "list.m3u8"])
def test_an_m3u_without_tracks_is_refused(name):
    with pytest.raises(PlaylistError, match="no tracks"):
        m3u("#EXTM3U\n", name)


@pytest.mark.parametrize(
    ("address", "path", "problem"),
    [
        ("one%20two.wav", "one two.wav", ""),
        ("sub/Gr%C3%B6%C3%9Fe.wav", "sub/Größe.wav", ""),
        ("file:///music/a%23b.wav", "/music/a#b.wav", ""),
        ("file://localhost/music/a.wav", "/music/a.wav", ""),
        ("file:///C:/music/a.wav", "C:/music/a.wav", ""),
        ("not-utf-8%FF.wav", "not-utf-8\udcff.wav", ""),
        ("two  blanks.wav", "two  blanks.wav", ""),
        ("what?.wav", "what?.wav", ""),
        ("100% done.wav", "100% done.wav", ""),
        ("https://music.example/a.wav", "https://music.example/a.wav", "nothing is downloaded"),
        ("http://music.example/a.wav", "http://music.example/a.wav", "(http)"),
        ("smb://desk/a.wav", "smb://desk/a.wav", "nothing is downloaded"),
        ("file://desk/a.wav", "file://desk/a.wav", "on another machine (desk)"),
        ("a%00b.wav", "a\0b.wav", "null character"),
        ("c:/a%00b.wav", "c:/a\0b.wav", "null character"),
        ("", "", "has no file"),
    ],
)
def test_an_xspf_location_becomes_a_path_or_keeps_its_place_with_a_reason(address, path, problem):
    before, track, after = xspf(
        "<track><location>before.wav</location></track>"
        f"<track><location> {address}\n</location></track>"
        "<track><location>after.wav</location></track>"
    ).tracks
    assert (before.path, track.path, after.path) == ("before.wav", path, "after.wav")
    assert problem in track.problem
    assert bool(problem) is bool(track.problem)


@pytest.mark.parametrize(
    ("line", "path", "problem"),
    [
        ("https://music.example/a.wav", "https://music.example/a.wav", "nothing is downloaded"),
        ("file:///music/a%20b.wav", "/music/a b.wav", ""),
        ("100%20.wav", "100%20.wav", ""),  # a plain path is taken as it is
        ("C:\\music\\a.wav", "C:\\music\\a.wav", ""),
    ],
)
def test_an_m3u_line_is_a_plain_path_or_an_address(line, path, problem):
    (track,) = m3u(line).tracks
    assert track.path == path
    assert problem in track.problem
    assert bool(problem) is bool(track.problem)


def test_a_toml_path_on_the_net_keeps_its_place_with_a_reason():
    first, _ = toml(TOML.replace("masters/open.wav", "https://music.example/a.wav")).tracks
    assert "nothing is downloaded" in first.problem


def test_an_xspf_without_albums_is_one_album_and_with_them_as_it_names_them():
    plain = xspf("<track><location>a.wav</location><creator>Nerida</creator><title>A</title></track>")
    assert plain.tracks == (Track("a.wav", "A", "Nerida", album="Two songs"),)
    assert plain.album_reason == "No album is set, so all files of this playlist count as one album."
    named = xspf(
        "<track><location>a.wav</location><album>Low Water</album><trackNum>3</trackNum></track>"
        "<track><location>b.wav</location><trackNum>x</trackNum></track>"
    )
    assert [(track.album, track.album_order) for track in named.tracks] == [("Low Water", 3), (None, None)]
    assert "a track without one is a single" in named.album_reason


def test_an_xspf_base_address_counts():
    tracks = "<track><location>a%20b.wav</location></track>"
    assert xspf(tracks, playlist='xml:base="file:///music/"').tracks[0].path == "/music/a b.wav"
    assert (
        "nothing is downloaded"
        in xspf(tracks, trackList='xml:base="https://music.example/"').tracks[0].problem
    )


ENTITY_BOMB = """<?xml version="1.0"?>
<!DOCTYPE playlist [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>
<playlist version="1" xmlns="http://xspf.org/ns/0/"><title>&b;</title><trackList/></playlist>"""
EXTERNAL_ENTITY = """<?xml version="1.0"?>
<!DOCTYPE playlist [<!ENTITY secret SYSTEM "file:///etc/hostname">]>
<playlist version="1" xmlns="http://xspf.org/ns/0/"><title>&secret;</title><trackList/></playlist>"""
EXTERNAL_DTD = """<?xml version="1.0"?>
<!DOCTYPE playlist SYSTEM "http://music.example/xspf.dtd">
<playlist version="1" xmlns="http://xspf.org/ns/0/"><trackList/></playlist>"""


@pytest.mark.parametrize("text", [ENTITY_BOMB, EXTERNAL_ENTITY, EXTERNAL_DTD])
def test_an_xspf_with_entities_or_a_document_type_is_refused_with_a_sentence(text):
    with pytest.raises(PlaylistError, match="not supported") as caught:
        parse_playlist(text.encode(), "bomb.xspf", "bomb.xspf")
    assert "DOCTYPE" in caught.value.hint


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"<playlist>", "not valid XML"),
        (b"", "not valid XML"),
        (b"a.wav\n", "not valid XML"),
        (b'<?xml version="1.0" encoding="nonsense"?><playlist/>', "not valid XML"),
        (b"<html/>", "its root is <html>"),
        (b'<playlist xmlns="http://xspf.org/ns/0/"><trackList/></playlist>', "no tracks"),
    ],
)
def test_what_is_no_xspf_is_refused(data, says):
    with pytest.raises(PlaylistError) as caught:
        parse_playlist(data, "list.xspf", "list.xspf")
    assert says in caught.value.message
    assert caught.value.hint


def test_an_xspf_in_another_encoding_is_read():
    text = XSPF.format(tracks="<track><location>Größe.wav</location></track>").replace("UTF-8", "ISO-8859-1")
    assert parse_playlist(text.encode("latin-1"), "l.xspf", "l.xspf").tracks[0].path == "Größe.wav"


@pytest.mark.parametrize(("line", "state"), [("", "played"), ('state = "matched"\n', "matched")])
def test_a_playlist_says_how_the_desk_opens_on_it(line: str, state: str) -> None:
    text = f'format = 1\n{line}[[tracks]]\npath = "a.wav"\n'
    assert parse_playlist(text.encode(), "list.toml", "list.toml").state == state


def test_a_state_that_there_is_not_is_refused() -> None:
    with pytest.raises(PlaylistError, match="state"):
        parse_playlist(b'format = 1\nstate = "loud"\n[[tracks]]\npath = "a.wav"\n', "list.toml", "list.toml")


def test_a_track_has_its_own_decision_or_the_playlist_s_and_both_are_written_again() -> None:
    text = 'format = 1\ndecision = "streaming"\n[[tracks]]\npath = "a.wav"\n[[tracks]]\npath = "b.wav"\n'
    read = parse_playlist(f'{text}decision = "club"\n'.encode(), "x.toml", "x.toml")
    assert [track.decision for track in read.tracks] == ["streaming", "club"]
    again = parse_playlist(playlist_text(read, "toml", "x").encode(), "x.toml", "x.toml")
    assert again.tracks == read.tracks
    assert left_out(read, "m3u")[0] == "decisions"
