"""What a player counts, against the example of three tracks worked by hand and computed from BS.1770-5's
gates: −9, −9, −20 LUFS count as −9.00 (loudest track) or −10.59 (one programme)."""

from __future__ import annotations

import itertools

import pytest
from support.made_measurements import made, on_album, player

from simulator.normalizer.decision import album_members, counted_album, counted_track

TWO_CHANNELS_DB = 3.0103  # 10·log10(2)


@pytest.mark.parametrize(
    ("scope", "loudnesses_lufs", "counted_lufs"),
    [
        ("album_loudest", (-9.0, -9.0, -20.0), -9.0),
        # Power mean of 2·10^−0.9 and 10^−2: −10.5908; gate at −20.59, so the quiet track counts.
        ("album_programme", (-9.0, -9.0, -20.0), -10.5908),
        ("album_loudest", (-9.0, -9.0, -21.0), -9.0),
        # Power mean −10.63; gate at −20.63, so the quiet track does not count.
        ("album_programme", (-9.0, -9.0, -21.0), -9.0),
        ("album_loudest", (None, None), None),
        ("album_programme", (None, None), None),
        ("album_programme", (None, -12.0), -12.0),
    ],
)
def test_an_album_counts_as_its_loudest_track_or_as_one_programme(scope, loudnesses_lufs, counted_lufs):
    counted = counted_album(player(scope=scope), [made(lufs) for lufs in loudnesses_lufs])
    assert counted.lufs == pytest.approx(counted_lufs, abs=1e-3)  # the hand-worked figures have 4 digits


@pytest.mark.parametrize("scope", ["album_loudest", "album_programme"])
def test_the_order_of_an_albums_tracks_changes_nothing(scope):
    tracks = [made(lufs, seconds=s) for lufs, s in ((-9.1, 31.0), (-13.7, 40.0), (-18.2, 55.0), (None, 5.0))]
    results = {counted_album(player(scope=scope), order).lufs for order in itertools.permutations(tracks)}
    assert len(results) == 1


def test_an_albums_peak_is_the_highest_of_all_its_tracks_also_of_an_unmeasurable_one():
    tracks = [made(-9.0, -2.0), made(-12.0, -0.5), made(-80.0, -0.25)]
    assert tracks[2].integrated_lufs is None
    assert counted_album(player(scope="album_loudest"), tracks).peak_db == -0.25


@pytest.mark.parametrize(("counts", "peak_db"), [("true", 0.8), ("sample", -0.1)])
def test_the_peak_is_of_the_kind_that_the_ceiling_counts(counts, peak_db):
    track = made(-9.0, 0.8, sample_peak_db=-0.1)
    assert counted_track(player(counts=counts), track).peak_db == peak_db
    assert counted_album(player(counts=counts), [track]).peak_db == peak_db


@pytest.mark.parametrize(
    ("mono", "channels", "more_db"),
    [
        ("one_channel", 1, 0.0),
        ("two_loudspeakers", 1, TWO_CHANNELS_DB),
        ("one_channel", 2, 0.0),
        ("two_loudspeakers", 2, 0.0),
    ],
)
def test_one_channel_counted_on_two_loudspeakers_reads_three_db_more(mono, channels, more_db):
    track = made(-20.0, channels=channels)
    assert counted_track(player(mono=mono), track).lufs == pytest.approx(-20.0 + more_db, abs=1e-4)
    for scope in ("album_loudest", "album_programme"):
        album = counted_album(player(mono=mono, scope=scope), [track, track])
        assert album.lufs == pytest.approx(-20.0 + more_db, abs=1e-4)


def test_the_peak_to_loudness_ratio_uses_the_loudness_as_counted():
    track = made(-20.0, -3.0, sample_peak_db=-4.0, channels=1)
    counted = counted_track(player(mono="two_loudspeakers", counts="sample"), track)
    assert counted.peak_to_loudness_db == pytest.approx(17.0 - TWO_CHANNELS_DB, abs=1e-4)


def test_an_album_holds_the_track_itself_and_the_first_version_of_every_other_song():
    tracks = [
        (on_album("one open", "one"), made(-14.0)),
        (on_album("one crushed", "one"), made(-8.0)),
        (on_album("two"), made(-12.0)),
        (on_album("three a", "three"), made(-11.0)),
        (on_album("three b", "three"), made(-10.0)),
        (on_album("elsewhere", album="Another"), made(-5.0)),
        (on_album("single", album=None), made(-4.0)),
    ]
    assert album_members(tracks, 0) == (0, 2, 3)
    assert album_members(tracks, 1) == (1, 2, 3)
    assert album_members(tracks, 2) == (0, 2, 3)
    assert album_members(tracks, 4) == (0, 2, 4)
    assert album_members(tracks, 5) == (5,)


def test_a_song_is_represented_by_a_version_that_could_be_read_and_measured():
    tracks = [
        (on_album("missing", "one"), None),
        (on_album("silent", "one"), made(None, None)),
        (on_album("good", "one"), made(-9.0)),
        (on_album("later", "one"), made(-8.0)),
        (on_album("two"), made(-12.0)),
        (on_album("lost"), None),
        (on_album("only silence"), made(None, None)),
    ]
    assert album_members(tracks, 4) == (2, 4, 6)
    assert album_members(tracks, 1) == (1, 4, 6)  # its own album is with itself, silent as it is
