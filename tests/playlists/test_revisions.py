"""Revisions by their names: what is a newer bounce of what. The names are common practice, no source."""

from __future__ import annotations

import unicodedata

import pytest

from simulator.playlists.revisions import is_newer, revised_file, revision_name

NEWER = [
    ("song-v2.wav", "song-v3.wav"),
    ("song-v9.wav", "song-v10.wav"),
    ("song.wav", "song-v2.wav"),
    ("Song_V2.wav", "song v3.WAV"),
    ("songv2.wav", "songv3.wav"),
    ("song v2.wav", "song v2.1.wav"),
    ("song v2.wav", "song v2b.wav"),
    ("song v2a.wav", "song v2b.wav"),
    ("song_mk1.wav", "song_mk2.wav"),
    ("song rev 3.wav", "song rev 4.wav"),
    ("song r3.wav", "song version 4.wav"),
    ("song master.wav", "song master 2.wav"),
    ("song master 2.wav", "song master 3.wav"),
    ("Song (master 2).wav", "Song (master 3).wav"),
    ("song mix2 loud.wav", "song mix3 loud.wav"),
    ("song 2026-11-28.wav", "song 2026-12-01.wav"),
    ("song_20261128.wav", "song_20261129.wav"),
    ("song 30.11.2026.wav", "song 01.12.2026.wav"),
    ("song 2026-11-28 0930.wav", "song 2026-11-28 1545.wav"),
    ("song-v2 2026-11-28.wav", "song-v3 2026-11-20.wav"),
    ("song-v2.wav", "song-v2 2026-11-28.wav"),
    ("02 song 24bit v1.wav", "02 song 24bit v2.wav"),
    (unicodedata.normalize("NFD", "café v1.wav"), unicodedata.normalize("NFC", "café v2.wav")),
]
OTHER = [
    ("song.wav", "song-instrumental.wav"),
    ("song-v2.wav", "song-v3-instrumental.wav"),
    ("song-v2.wav", "song-v3.mp3"),
    ("song 1.wav", "song 2.wav"),
    ("01 song.wav", "02 song.wav"),
    ("song-v2.wav", "long-v3.wav"),
    ("song-v3.wav", "song-v2.wav"),
    ("song-v2.wav", "song-v2.wav"),
    ("song-v2.wav", "song-v02.wav"),
    ("song-v2.wav", "song.wav"),
    ("song-v2.wav", "song 2026-11-28.wav"),
    ("song 44100.wav", "song 48000.wav"),
    ("song.wav", "song 20261345.wav"),
    ("a/song-v2.wav", "b/song-v3.wav"),
    ("mixer.wav", "mixer 2.wav"),
    ("nirvana.wav", "nirvana live.wav"),
]


@pytest.mark.parametrize(("old", "new"), NEWER)
def test_a_greater_mark_is_a_newer_revision(old: str, new: str) -> None:
    assert is_newer(f"/music/{new}", f"/music/{old}")
    assert not is_newer(f"/music/{old}", f"/music/{new}")


@pytest.mark.parametrize(("old", "new"), OTHER)
def test_anything_else_is_none(old: str, new: str) -> None:
    assert not is_newer(new, old)


def test_it_takes_the_place_of_the_newest_that_it_is_newer_than() -> None:
    known = ["/m/song.wav", "/m/song-v2.wav", "/m/song-v5.wav", "/m/other-v2.wav"]
    assert revised_file("/m/song-v3.wav", known) == "/m/song-v2.wav"
    assert revised_file("/m/song-v6.wav", known) == "/m/song-v5.wav"
    assert revised_file("/m/song-v2.wav", known) == "/m/song-v2.wav"  # written over
    assert revised_file("/m/song-instrumental.wav", known) is None


@pytest.mark.parametrize(
    ("name", "mark"),
    [("song-v3.wav", "v3"), ("song_mk2.wav", "mk2"), ("song master 3.wav", "master 3"), ("song.wav", "")],
)
def test_it_is_called_by_its_mark(name: str, mark: str) -> None:
    assert revision_name(name).mark == mark
