"""What the command's arguments name, read from disk with paths made absolute."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

import pytest

from simulator.common.errors import PlaylistError
from simulator.engine import playlists
from simulator.engine.playlists import absolute_path, read_playlists


@pytest.fixture
def music(tmp_path: Path) -> Path:
    folder = tmp_path / "music"
    (folder / "inner").mkdir(parents=True)
    for name in ("10 ten.wav", "2 two.FLAC", "notes.txt", ".hidden.wav", "inner/deep.wav"):
        (folder / name).write_bytes(b"")
    return folder


def paths(playlist) -> list[str]:
    return [track.path for track in playlist.tracks]


def test_a_folder_is_one_album_of_its_audio_files_in_natural_order(music):
    playlist = read_playlists([str(music)])
    assert paths(playlist) == [str(music / "2 two.FLAC"), str(music / "10 ten.wav")]
    assert {track.album for track in playlist.tracks} == {"music"}
    assert "all files of this folder count as one album" in playlist.album_reason


def test_a_folder_without_audio_files_is_refused_with_what_counts(tmp_path):
    with pytest.raises(PlaylistError, match="no audio files in this folder") as caught:
        read_playlists([str(tmp_path)])
    assert "not searched" in caught.value.hint


def test_files_are_one_album_and_a_missing_one_keeps_its_place(music):
    names = [str(music / "10 ten.wav"), str(music / "missing.wav"), str(music / "2 two.FLAC")]
    playlist = read_playlists(names)
    assert paths(playlist) == names
    assert {track.album for track in playlist.tracks} == {"Files of this command"}
    assert "all files of this command count as one album" in playlist.album_reason


def test_one_file_gives_the_playlist_its_title(music):
    assert read_playlists([str(music / "10 ten.wav")]).title == "10 ten"


def test_relative_arguments_start_from_the_working_folder(music, monkeypatch):
    monkeypatch.chdir(music)
    assert paths(read_playlists(["./10 ten.wav"])) == [str(music / "10 ten.wav")]


def test_paths_in_a_playlist_start_from_its_own_folder(music, monkeypatch):
    (music / "inner" / "list.m3u8").write_text(
        "../10 ten.wav\ndeep.wav\n/elsewhere/x.wav\n", encoding="utf-8"
    )
    monkeypatch.chdir(music.parent)
    assert paths(read_playlists(["music/inner/list.m3u8"])) == [
        str(music / "inner" / ".." / "10 ten.wav"),
        str(music / "inner" / "deep.wav"),
        "/elsewhere/x.wav",
    ]


def test_a_path_to_a_profile_starts_from_the_playlists_folder_and_an_id_stays(music):
    text = 'format = 1\nprofile = "{}"\n[[tracks]]\npath = "2 two.FLAC"\n'
    for written, read in (
        ("mine.toml", str(music / "mine.toml")),
        ("minus14-down", "minus14-down"),
    ):
        (music / "list.toml").write_text(text.format(written), encoding="utf-8")
        assert read_playlists([str(music / "list.toml")]).profile == read


def test_an_entry_on_the_net_is_not_made_a_path(music):
    (music / "list.m3u").write_text("https://music.example/a.wav\n10 ten.wav\n", encoding="utf-8")
    net, file = read_playlists([str(music / "list.m3u")]).tracks
    assert (net.path, file.path) == ("https://music.example/a.wav", str(music / "10 ten.wav"))
    assert net.problem
    assert not file.problem


def test_spellings_of_other_systems_are_found(music):
    composed, decomposed = (unicodedata.normalize(form, "Größe.wav") for form in ("NFC", "NFD"))
    (music / "inner" / decomposed).write_bytes(b"")
    (music / "list.m3u8").write_text(f"inner\\deep.wav\ninner\\{composed}\nin\\lost.wav\n", encoding="utf-8")
    assert paths(read_playlists([str(music / "list.m3u8")])) == [
        str(music / "inner" / "deep.wav"),
        str(music / "inner" / decomposed),
        str(music / "in\\lost.wav"),
    ]


def test_files_among_playlists_keep_their_places_and_are_one_album(music):
    (music / "list.m3u8").write_text("2 two.FLAC\n10 ten.wav\n", encoding="utf-8")
    deep, ten = str(music / "inner" / "deep.wav"), str(music / "10 ten.wav")
    playlist = read_playlists([deep, str(music / "list.m3u8"), ten, str(music)])
    assert [(Path(track.path).name, track.album) for track in playlist.tracks] == [
        ("deep.wav", "Files of this command"),
        ("2 two.FLAC", "list"),
        ("10 ten.wav", "list"),
        ("10 ten.wav", "Files of this command"),
        ("2 two.FLAC", "music"),
        ("10 ten.wav", "music"),
    ]
    for what in ("command", "playlist", "folder"):
        assert f"all files of this {what} count as one album" in playlist.album_reason


def test_several_playlists_follow_each_other(music):
    for name in ("a.m3u8", "b.m3u8"):
        (music / name).write_text("10 ten.wav\n", encoding="utf-8")
    playlist = read_playlists([str(music / "b.m3u8"), str(music / "a.m3u8")])
    assert [track.album for track in playlist.tracks] == ["b", "a"]


@pytest.mark.parametrize(
    "argument", ["missing.m3u", "missing.toml", "missing.xspf", "folder.m3u", "a\0b.m3u"]
)
def test_a_playlist_that_cannot_be_read_is_an_error_with_its_name(argument, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.m3u").mkdir()
    with pytest.raises(PlaylistError, match="cannot read this playlist") as caught:
        read_playlists([argument])
    assert caught.value.message.startswith(argument)


def test_no_argument_at_all_is_an_error():
    with pytest.raises(PlaylistError, match="No file given"):
        read_playlists([])


def test_a_file_far_too_large_is_no_playlist(tmp_path, monkeypatch):
    monkeypatch.setattr(playlists, "LARGEST_PLAYLIST_BYTES", 10)
    (tmp_path / "x.m3u").write_text("0123456789.wav", encoding="utf-8")
    with pytest.raises(PlaylistError, match="it is larger than"):
        read_playlists([str(tmp_path / "x.m3u")])


@pytest.mark.parametrize(
    ("there", "written"),
    [
        ("Caf\u00e9/Cafe\u0301.wav", "Caf\u00e9/Caf\u00e9.wav"),
        ("Song A.wav", "Song%20A.wav"),
        ("Album/Song.WAV", "album\\song.wav"),
        (" lead.wav", "lead.wav"),
        (os.fsdecode(b"r\xe9.wav"), "r\u00e9.wav"),
    ],
)
def test_a_file_that_is_there_is_found_by_the_spelling_of_another_system(
    tmp_path: Path, there: str, written: str
) -> None:
    (tmp_path / there).parent.mkdir(exist_ok=True)
    (tmp_path / there).touch()
    assert absolute_path(written, str(tmp_path)) == str(tmp_path / there)


def test_where_two_names_fit_none_is_guessed(tmp_path: Path) -> None:
    for name in ("Song.wav", "SONG.wav"):
        (tmp_path / name).touch()
    if len(os.listdir(tmp_path)) == 2:  # a disk that tells letters apart
        assert absolute_path("sOnG.wav", str(tmp_path)) == str(tmp_path / "sOnG.wav")
        assert absolute_path("SONG.wav", str(tmp_path)) == str(tmp_path / "SONG.wav")
