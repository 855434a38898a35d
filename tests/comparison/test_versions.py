"""Numbers side by side, worked by hand on made pairs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_comparison import compared, difference, laid, song
from support.made_measurements import made, player

from simulator.comparison.versions import punch_db

OPEN = song([(-20.0, 20.0), (-12.0, 20.0)], -1.0, share=0.0)
LOUD = song([(-11.0, 20.0), (-8.0, 20.0)], 0.8, overs=7, share=0.02)


def test_a_pair_that_differs_by_a_gain_costs_nothing() -> None:
    """6 dB louder as delivered in every respect; through the player the same, everywhere."""
    loud = song([(-17.0, 20.0), (-9.0, 20.0)], -1.0)
    open_ = song([(-23.0, 20.0), (-15.0, 20.0)], -7.0)
    found = compared(loud, open_, [player("unprotected")])
    gap = found.delivered.gap
    for value in (gap.integrated_lu, gap.loudest_passage_lu, gap.quietest_passage_lu):
        assert value == pytest.approx(6.0)
    assert gap.unused_headroom_db == pytest.approx(-6.0)
    for value in (gap.contrast_lu, gap.punch_db, gap.peak_to_loudness_db, gap.median_peak_to_short_term_db):
        assert value == pytest.approx(0.0, abs=1e-6)
    played = found.played[0].side.gap
    assert played.most is not None
    assert played.least is not None
    for value in (
        played.integrated_lu, played.loudest_passage_lu, played.quietest_passage_lu, played.contrast_lu,
        played.unused_headroom_db, played.punch_db, played.most.difference_lu, played.least.difference_lu,
    ):  # fmt: skip
        assert value == pytest.approx(0.0, abs=1e-6)


def test_as_delivered_every_figure_is_the_measurement_s() -> None:
    found = compared(LOUD, OPEN).delivered
    assert found.loud.gain_db == 0.0
    assert found.loud.loudest_passage_lufs == pytest.approx(-8.0)
    assert found.loud.quietest_passage_lufs == pytest.approx(-11.0)
    assert found.loud.contrast_lu == pytest.approx(3.0)
    assert found.open.contrast_lu == pytest.approx(8.0)
    assert found.gap.contrast_lu == pytest.approx(-5.0)
    assert found.loud.unused_headroom_db == pytest.approx(-0.8)
    assert found.gap.unused_headroom_db == pytest.approx(-1.8)
    assert (found.loud.over_count, found.open.over_count) == (7, 0)
    assert found.gap.share_at_ceiling == pytest.approx(0.02)
    assert found.loud.integrated_lufs == LOUD.integrated_lufs
    assert found.loud.own_loudest_passage_lufs == LOUD.max_short_term_lufs
    assert found.loud.own_quietest_passage_lufs == LOUD.quietest_passage_lufs


def test_through_a_player_each_is_shifted_by_its_own_gain() -> None:
    """To −14 LUFS: passages move with the gain, contrast and punch stay, headroom grows."""
    found = compared(LOUD, OPEN, [player("unprotected")], overs=(2, 0))
    side = found.played[0].side
    assert LOUD.integrated_lufs is not None
    gain_db = -14.0 - LOUD.integrated_lufs
    assert side.loud.gain_db == pytest.approx(gain_db)
    assert side.loud.loudest_passage_lufs == pytest.approx(-8.0 + gain_db)
    assert side.loud.contrast_lu == pytest.approx(3.0)
    assert side.loud.unused_headroom_db == pytest.approx(-0.8 - gain_db)
    assert side.loud.over_count == 2, "as it was counted after the gain"
    assert side.loud.punch_db == pytest.approx(punch_db(LOUD))
    assert side.loud.median_peak_to_short_term_db == pytest.approx(LOUD.median_peak_to_short_term_db)
    assert OPEN.integrated_lufs is not None
    assert side.open.gain_db == pytest.approx(-14.0 - OPEN.integrated_lufs)
    assert side.gap.integrated_lu == pytest.approx(0.0, abs=1e-9)
    assert side.gap.loudest_passage_lu == pytest.approx(-8.0 + gain_db - (-12.0 + side.open.gain_db))


@pytest.mark.parametrize(("peak_db", "expected"), [(0.8, 7.5), (0.0, 7.5), (-1.0, 6.5)])
def test_overs_are_no_punch(peak_db: float, expected: float) -> None:
    assert punch_db(made(-7.5, peak_db)) == pytest.approx(expected)


def test_overs_that_were_turned_down_are_no_punch_either() -> None:
    """+0.8 dBTP at −8 LUFS, turned down by 6 dB, peaks at −5.2 dBTP: 0.8 dB of that is still no punch."""
    loud = made(-8.0, 0.8)
    side = compared(loud, made(-14.0, -1.0)).played[0].side
    assert side.loud.true_peak_dbtp == pytest.approx(-5.2)
    assert side.loud.peak_to_loudness_db == pytest.approx(8.8)
    assert side.loud.punch_db == pytest.approx(8.0)


def test_a_peak_that_an_encoder_raises_under_full_scale_is_no_over() -> None:
    """From −1.5 to −1.3 dBTP: nothing went over, so all of it counts."""
    assert punch_db(made(-22.5, -1.3), 0.0) == pytest.approx(21.2)
    assert punch_db(made(-14.5, 0.7), 0.0) == pytest.approx(14.5)
    assert punch_db(made(-14.5, -5.3), -6.0) == pytest.approx(8.5)


def test_a_limiter_of_the_player_takes_punch() -> None:
    """Its output, as measured, is what counts: peaks at −1 dBTP and −14.5 LUFS are 13.5 dB."""
    profile = player("limited")
    quiet = made(-20.0, -3.0)
    found = compared(quiet, quiet, [profile])
    heard = found.played[0].loud
    pressed = replace(heard.prediction, played=made(-14.5, -1.0))
    again = compared(quiet, quiet, [profile])
    from simulator.comparison import versions

    other = versions.compare(
        quiet, quiet, [(profile, replace(heard, prediction=pressed), heard)], again.alignment, None
    )
    assert other.played[0].side.loud.punch_db == pytest.approx(13.5)


@pytest.mark.parametrize("kind", ["different", "ambiguous"])
def test_versions_without_a_sure_place_keep_their_numbers_and_get_no_residual(kind: str) -> None:
    turned = song([(-8.0, 20.0), (-11.0, 20.0)], 0.8)
    found = compared(turned, OPEN, alignment=laid(turned, OPEN, kind=kind), residual=difference())
    assert found.difference is None
    assert not found.passages.shared
    assert found.delivered.loud.loudest_passage_lufs == pytest.approx(-8.0)
    assert found.delivered.open.loudest_passage_lufs == pytest.approx(-12.0)
    assert found.delivered.gap.most is None
    assert found.delivered.gap.integrated_lu is not None


def test_aligned_versions_keep_their_residual() -> None:
    assert compared(LOUD, OPEN, residual=difference()).difference == difference()


def test_what_cannot_be_measured_is_none() -> None:
    silent = made(None, None)
    found = compared(silent, OPEN, alignment=laid(silent, OPEN, kind="different")).delivered
    assert found.loud.punch_db is None
    assert found.loud.unused_headroom_db is None
    assert (found.gap.integrated_lu, found.gap.loudest_passage_lu, found.gap.contrast_lu) == (None,) * 3
