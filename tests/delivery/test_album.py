"""Trims and gaps of an album, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.made_measurements import made

from simulator.delivery.album import Relation, gaps_s, trims_db
from simulator.metering.measurement import Measurement, Series


@pytest.mark.parametrize(
    ("relation", "trims"),
    [
        # the song at −20 has 5 dB below −1 dBTP: −15 is the highest level that all reach
        (Relation(), (-5.0, -3.0, 5.0)),
        # 4 LU below the others it can stay 4 lower: the others reach −11
        (Relation(offsets_lu=(0.0, 0.0, -4.0)), (-1.0, 1.0, 5.0)),
        # 12 LU below: no song goes above the loudest, −10
        (Relation(offsets_lu=(0.0, 0.0, -12.0)), (0.0, 2.0, -2.0)),
    ],
)
def test_trims_reach_the_highest_level_that_every_peak_allows(
    relation: Relation, trims: tuple[float, ...]
) -> None:
    songs = [made(-10.0, -0.5), made(-12.0, -3.0), made(-20.0, -6.0)]
    assert trims_db(songs, relation) == pytest.approx(trims, abs=1e-6)
    for song, trim in zip(songs, trims, strict=True):
        assert song.true_peak_dbtp is not None
        assert trim <= 0.0 or song.true_peak_dbtp + trim <= -1.0


def test_the_loudest_passages_can_be_what_is_related() -> None:
    songs = [replace(made(-14.0, -1.0), max_short_term_lufs=-9.0), made(-12.0, -1.0)]
    assert trims_db(songs, Relation(by_loudest=True)) == pytest.approx((-3.0, 0.0), abs=1e-6)


def test_silence_has_no_trim_and_no_part_in_the_others() -> None:
    songs = [made(-10.0, -1.0), made(None, None), made(-14.0, -9.0)]
    assert trims_db(songs, Relation()) == [pytest.approx(0.0), None, pytest.approx(4.0)]
    assert trims_db([made(None, None)], Relation()) == [None]


def between(head_steps: int, tail_steps: int) -> Measurement:
    """A minute at −14 LUFS with silence before and after."""
    song = made(-14.0, -1.0)
    peaks = song.series.true_peak.copy()
    peaks[:head_steps], peaks[len(peaks) - tail_steps :] = 0.0, 0.0
    return replace(song, series=Series(song.series.energy, peaks))


def test_a_gap_is_the_silence_of_both_songs_together() -> None:
    songs = [between(2, 15), between(7, 0), between(0, 3)]
    assert gaps_s(songs) == [pytest.approx(2.2), pytest.approx(0.0), None]
    assert gaps_s([songs[0], made(None, None), songs[1]]) == [None, None, None]
    assert gaps_s([]) == []


def test_what_is_below_minus_80_dbfs_is_silence() -> None:
    song = between(0, 10)
    peaks = song.series.true_peak.copy()
    peaks[-10:-5] = np.float32(10.0 ** (-81.0 / 20.0))
    peaks[-5:] = np.float32(10.0 ** (-79.0 / 20.0))
    assert gaps_s([replace(song, series=Series(song.series.energy, peaks)), song])[0] == pytest.approx(0.0)
    peaks[-5:] = np.float32(10.0 ** (-81.0 / 20.0))
    assert gaps_s([replace(song, series=Series(song.series.energy, peaks)), song])[0] == pytest.approx(1.0)


def test_no_song_goes_above_the_loudest_one_as_it_is() -> None:
    """Both have 4 dB and more below −1 dBTP: the trims relate the songs, they make no album louder."""
    songs = [made(-10.0, -5.0), made(-12.0, -9.0)]
    assert trims_db(songs, Relation()) == pytest.approx((0.0, 2.0), abs=1e-6)
