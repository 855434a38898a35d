"""Albums, versions and places of a playlist's tracks."""

from __future__ import annotations

import pytest

from simulator.playlists.playlist import (
    AUDIO_EXTENSIONS,
    Playlist,
    Track,
    is_audio_name,
    joined_playlists,
    one_album,
    title_from_path,
)


def a_playlist(name: str, *tracks: Track, profile: str | None = None, client: str = "") -> Playlist:
    return Playlist(name, client, profile, tracks, f"{name}.toml", f"Reason of {name}.")


@pytest.mark.parametrize(
    ("name", "audio"),
    [*((f"song.{ending}", True) for ending in AUDIO_EXTENSIONS), ("Song.WAV", True), ("a.b.flac", True),
     ("notes.txt", False), ("wav", False), (".wav", False), ("song.m3u", False), ("song", False)],
)  # fmt: skip
def test_audio_files_are_told_by_their_names(name, audio):
    assert is_audio_name(name) is audio


@pytest.mark.parametrize(
    ("path", "title"),
    [("/a/b/My Song.v2.wav", "My Song.v2"), ("C:\\music\\Song.wav", "Song"), ("Song", "Song"), ("", "")],
)
def test_a_track_without_a_title_is_called_as_its_file(path, title):
    assert title_from_path(path) == title


def test_files_without_album_keys_are_one_album_and_the_reason_says_so():
    playlist = one_album("Demos", "folder", (Track("a", "a"), Track("b", "b")), "Demos")
    assert {track.album for track in playlist.tracks} == {"Demos"}
    assert playlist.album_reason == "No album is set, so all files of this folder count as one album."


def test_albums_of_several_playlists_stay_apart_even_with_one_name():
    first = a_playlist("one", Track("a", "a", album="Demos"), Track("b", "b", album="Demos"))
    second = a_playlist("two", Track("c", "c", album="Demos"), Track("d", "d"))
    third = a_playlist("three", Track("e", "e", album="Demos"))
    together = joined_playlists([first, second, third])
    assert [track.album for track in together.tracks] == ["Demos", "Demos", "Demos (2)", None, "Demos (3)"]
    assert together.album_reason == "Reason of one. Reason of two. Reason of three."
    assert together.source == "one.toml, two.toml, three.toml"


def test_songs_of_several_playlists_with_one_key_are_versions_of_one_song():
    first = a_playlist("one", Track("a", "a", song="lanterns"))
    together = joined_playlists([first, a_playlist("two", Track("b", "b", song="lanterns"))])
    assert [track.song for track in together.tracks] == ["lanterns", "lanterns"]


@pytest.mark.parametrize(
    ("first", "second", "kept"), [("a", None, "a"), (None, "b", "b"), ("a", "a", "a"), ("a", "b", None)]
)
def test_a_default_profile_is_kept_unless_two_playlists_disagree(first, second, kept):
    playlists = [
        a_playlist("one", Track("a", "a"), profile=first),
        a_playlist("two", Track("b", "b"), profile=second, client="Client"),
    ]
    assert joined_playlists(playlists).profile == kept
    assert joined_playlists(playlists).client == "Client"


def test_a_single_playlist_is_itself():
    playlist = a_playlist("one", Track("a", "a"))
    assert joined_playlists([playlist]) is playlist
