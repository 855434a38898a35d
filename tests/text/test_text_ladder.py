"""Every sentence about a ladder is made by a rule: each rule is met and missed once, on made figures."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_measurements import made, player

from simulator.ladder.rungs import Action, Ladder, Rung
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.text import ladder as view


def rung(
    wanted: float,
    profile: Profile,
    *,
    lufs: float | None = None,
    peak_db: float = -1.0,
    lowered_db: float = 0.0,
) -> Rung:
    measured = made(wanted if lufs is None else lufs, peak_db)
    return Rung(
        wanted_lufs=wanted,
        reached=lufs is None,
        why="" if lufs is None else "24 dB of drive do not reach it",
        drive_db=wanted + 20.0 - lowered_db,
        output_gain_db=lowered_db,
        passes=2,
        action=Action(0.5, 3.0, 0.2, 0.05),
        measurement=measured,
        residual_lu=-20.0 + wanted / 2.0 - lowered_db,
        played={profile.id: from_gain(decide(profile, measured), measured)},
    )


def test_without_normalisation_every_rung_is_louder_and_may_cost() -> None:
    profile = player("never", target_lufs=None)
    rungs = [rung(level, profile) for level in (-16.0, -12.0, -8.0)]
    assert view.played_sentences(rungs, profile) == [
        "Nothing is turned down here: every rung is louder, and the choice is what it may cost."
    ]


def test_without_normalisation_two_rungs_that_came_out_alike_are_not_called_louder() -> None:
    profile = player("never", target_lufs=None)
    rungs = [rung(-16.0, profile), rung(-6.0, profile, lufs=-9.0), rung(-4.0, profile, lufs=-9.0)]
    (said,) = view.played_sentences(rungs, profile)
    assert "every rung is" not in said


def test_the_lowest_of_the_best_is_named_with_its_player() -> None:
    profile = player("never")
    rungs = [rung(level, profile) for level in (-16.0, -14.0, -12.0)]
    (said,) = view.played_sentences(rungs, profile)
    assert said.startswith("◂ −14 LUFS is the lowest rung within 0.2 LU of the best as played")
    assert "Its loudest passage changes by at most 0.2 LU." in said


def test_a_loudest_passage_that_sinks_above_the_mark_is_said() -> None:
    """As played: the whole stays at −14 LUFS, the loudest passage of the upper rung lies 1.5 LU lower."""
    profile = player("never")
    low, high = rung(-14.0, profile), rung(-12.0, profile)
    played = high.played[profile.id]
    assert played.played.max_short_term_lufs is not None
    denser = replace(played.played, max_short_term_lufs=played.played.max_short_term_lufs - 1.5)
    high = replace(high, played={profile.id: replace(played, played=denser)})
    (said,) = view.played_sentences([low, high], profile)
    assert "Its loudest passage changes by up to −1.5 LU." in said


def test_where_the_highest_rung_is_the_best_it_says_so() -> None:
    profile = player("never", target_lufs=-8.0)
    (said,) = view.played_sentences([rung(-16.0, profile), rung(-12.0, profile)], profile)
    assert said == "◂ The highest rung is more than 0.2 LU louder here than any other."


def test_the_closed_form_stands_beside_a_player_that_leaves_headroom() -> None:
    profile = player("headroom")
    rungs = [rung(level, profile) for level in (-16.0, -14.0, -12.0)]
    said = view.played_sentences(rungs, profile)[-1]
    assert "PLR ≤ ceiling − target = −1.0 − (−14.0) = 13.0 dB" in said
    assert said.endswith("the first such rung is −14 LUFS, at 13.0 dB.")


def test_the_closed_form_says_where_no_rung_is_dense_enough_and_which_peaks_count() -> None:
    profile = player("headroom", counts="sample")
    said = view.played_sentences([rung(-18.0, profile), rung(-16.0, profile)], profile)[-1]
    assert "PLR (of sample peaks)" in said
    assert said.endswith("no rung is that dense.")


def test_a_rung_that_was_not_reached_says_why_and_where_it_stands() -> None:
    profile = player("never")
    rungs = [rung(-14.0, profile), rung(-4.0, profile, lufs=-7.2)]
    said = view.unreached(rungs, "limit")
    assert said[0] == "−4 LUFS was not reached: 24 dB of drive do not reach it. It stands at −7.2 LUFS."
    assert "--style clip-limit" in said[1]
    assert len(view.unreached(rungs, "clip-limit")) == 1
    assert view.unreached(rungs[:1], "limit") == []


def test_a_quiet_mix_is_to_be_raised_and_not_clipped() -> None:
    profile = player("never")
    quiet = replace(rung(-14.0, profile, lufs=-30.0), action=Action(0.0, 0.1, 0.0, 0.0))
    assert view.unreached([quiet], "limit")[1].endswith("Raise it first.")
    assert "clip" not in " ".join(view.unreached([quiet], "limit"))


def test_a_single_rung_is_compared_with_no_other() -> None:
    profile = player("never")
    assert view.played_sentences([rung(-14.0, profile)], profile) == []


def test_what_sample_peaks_cost_is_read_off_the_rung_that_is_lowered_most() -> None:
    profile = player("never")
    true = [rung(level, profile) for level in (-14.0, -10.0)]
    sample = [rung(-14.0, profile, lowered_db=-0.4), rung(-10.0, profile, lowered_db=-0.9)]
    (said,) = view.beside_sentences(true, sample)
    assert "lowered: by up to 0.9 dB, at −10 LUFS" in said
    assert "takes +10.9 dB of drive against +10.0 dB" in said
    (said,) = view.beside_sentences(true, true)
    assert said == "No rung rises over the ceiling between its samples, so the two cost the same."


def test_the_starting_points_are_named_as_such() -> None:
    said = view.starting_points()
    assert said.startswith("Starting points by common practice, no standard:")
    for word in ("about −14 LUFS", "about −9 LUFS", "from −0.2 to −1 dB"):
        assert word in said


@pytest.mark.parametrize("detect", ["true", "sample"])
def test_the_opening_says_what_was_done(detect: str) -> None:
    profile = player("never")
    ladder = Ladder("mix.wav", -1.0, detect, "clip-limit", (rung(-14.0, profile),))  # type: ignore[arg-type]
    said = view.opening(ladder, made(-20.0, -3.0))
    assert "The mix: −20.0 LUFS, true peak −3.0 dBTP." in said
    assert f"a soft clip, then {detect}-peak limiting at −1.0 dBTP" in said
    assert ("lowered" in said) == (detect == "sample")
    assert "What the clip takes is not in the limiter's columns" in said
