"""The answer of `compare` in its three sentences: every case by hand, in both directions; and whatever the
pair, by the check of its claims."""

from __future__ import annotations

import textwrap
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.made_comparison import NAMES, compared, difference, laid, song
from support.made_measurements import made, player
from support.sentence_claims import Claims

from simulator.comparison.versions import Comparison
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Track
from simulator.text.comparison.answer import answer_sentences, further_sentence
from simulator.text.comparison.delivered import Names, whole_sentences
from simulator.text.comparison.played import played_sentences
from simulator.text.json_form import comparison_object

OPEN = song([(-20.0, 20.0), (-12.0, 20.0)], -6.0)
LOUD = song([(-11.0, 20.0), (-8.0, 20.0)], 0.8, overs=7)
LEVELS = player("unprotected")
UNTOUCHED = player("never", target_lufs=None)


def answer(found: Comparison) -> list[str]:
    return [one.text for one in answer_sentences(found, NAMES)]


def left(found: Comparison) -> str:
    return next(one.text for one in answer_sentences(found, NAMES) if one.rule == "answer_left")


def test_gone_on_this_player_and_what_it_costs() -> None:
    """LOUD: −9.2 LUFS as printed, PLR capped 9.2; OPEN: −14.4, PLR 8.4, so only span and overs cost. As
    played the loudest passages read −12.8 and −11.6."""
    assert answer(compared(LOUD, OPEN, [LEVELS])) == [
        "loud is 5.2 LU louder than open where nothing is normalised.",
        "On this player that is gone, and open is 1.2 LU louder in the loudest passage.",
        "loud costs 5.0 LU of loud–quiet span and 7 overs.",
    ]
    assert answer(compared(OPEN, LOUD, [LEVELS]))[0].startswith("open is 5.2 LU louder than loud where")


def test_everything_left_where_nothing_is_normalised() -> None:
    assert left(compared(LOUD, OPEN, [UNTOUCHED])) == (
        "This player changes no levels, so all of that remains, and 4.0 LU in the loudest passage."
    )


def test_smaller_whole_widened_and_reversed() -> None:
    raises = player("headroom", target_lufs=-10.0)
    assert left(compared(made(-8.0, -0.5), made(-14.0, -1.0), [raises])) == (
        "On this player 4.0 LU of that remains, and 4.0 LU in the loudest passage."
    )
    held = player("unprotected", target_lufs=-30.0, max_cut_db=10.0)
    assert left(compared(made(-8.0), made(-14.0), [held])) == (
        "On this player all of that remains, and 6.0 LU in the loudest passage."
    )
    assert left(compared(made(-22.0, -9.0), made(-26.0, -3.0), [player("headroom")])) == (
        "On this player that grows to 10.0 LU, and 10.0 LU in the loudest passage."
    )
    always = player("headroom", target_lufs=-10.0, ceiling_db=-6.0, applies="always")
    assert left(compared(made(-12.0, 0.8), made(-14.0, -9.0), [always])) == (
        "On this player it turns round: open is 7.8 LU louder, and 7.8 LU in the loudest passage."
    )


def test_equally_loud_as_delivered() -> None:
    found = compared(made(-14.0, -1.0), made(-14.1, -8.0), [LEVELS])
    assert answer(found) == [
        "loud and open are equally loud where nothing is normalised.",
        "On this player they are too, in the loudest passage too.",
        "open costs 6.9 dB of peaks (PLR).",
    ]
    apart = compared(made(-14.0, -1.0), made(-14.1, -8.0), [player("headroom", target_lufs=-9.0)])
    assert left(apart) == "On this player open is 5.0 LU louder, and 5.0 LU in the loudest passage."


def test_a_loud_version_that_costs_nothing_says_so() -> None:
    assert answer(compared(made(-8.0, -1.0), made(-14.0, -8.0), [LEVELS]))[2] == (
        "loud costs no PLR, loud–quiet span or overs."
    )
    both = compared(made(-14.0), made(-14.0), [LEVELS])
    assert answer(both)[2] == "Neither costs any PLR, loud–quiet span or overs."


def test_more_overs_than_another_that_has_some() -> None:
    found = compared(replace(LOUD, over_count=9), replace(OPEN, over_count=2), [LEVELS])
    assert answer(found)[2] == "loud costs 5.0 LU of loud–quiet span and 7 more overs."
    one = compared(replace(LOUD, over_count=1), OPEN, [LEVELS])
    assert answer(one)[2] == "loud costs 5.0 LU of loud–quiet span and 1 over."


def test_the_same_audio() -> None:
    same = replace(difference(None), match_gain_db=0.0)
    assert answer(compared(OPEN, OPEN, [LEVELS], residual=same)) == [
        "loud and open are the same audio: no difference on any player."
    ]
    louder = compared(LOUD, OPEN, [LEVELS], residual=difference(None))
    assert answer(louder)[0] == "loud is the same audio as open, 6.0 dB louder."
    converted = replace(difference(-68.0), match_gain_db=0.0, conversion_only=True)
    assert answer(compared(OPEN, OPEN, [LEVELS], residual=converted)) == [
        "loud and open are the same audio but for a conversion: no difference on any player."
    ]


def test_silence_has_no_answer() -> None:
    silent = compared(made(None, None), OPEN, [LEVELS], laid(OPEN, OPEN, kind="different"))
    assert answer(silent) == ["loud has no measurable loudness: nothing to compare."]


def test_several_players_are_grouped() -> None:
    found = compared(LOUD, OPEN, [LEVELS, player("unprotected", target_lufs=-20.0), UNTOUCHED])
    assert left(found) == "On 2 of 3 players that is gone and on 1 all of that remains."
    assert left(compared(LOUD, OPEN, [LEVELS, LEVELS])) == "On all 2 players that is gone."


def test_a_further_version_in_one_sentence() -> None:
    assert further_sentence(compared(LOUD, OPEN, [LEVELS]), Names("mid", "open")).text == (
        "Against open, mid is 5.2 LU louder as delivered and as loud as played, and costs 5.0 LU of "
        "loud–quiet span and 7 overs."
    )


@pytest.mark.parametrize(
    "names", [Names("crushed", "open"), Names("v12", "v9"), Names("streaming", "vinyl cut")]
)
def test_it_fits_three_lines_of_80_columns(names: Names) -> None:
    loud = song([(-9.0, 20.0), (-4.0, 20.0)], 0.9, overs=1169)
    open_ = song([(-31.5, 20.0), (-16.0, 20.0)], -0.1)
    said = " ".join(one.text for one in answer_sentences(compared(loud, open_, [LEVELS]), names))
    assert len(textwrap.wrap(said, 79)) <= 3, said


PARTS = st.lists(st.floats(-30.0, -6.0), min_size=1, max_size=4)
PLAYERS = st.lists(
    st.sampled_from(
        [
            LEVELS,
            player("never"),
            UNTOUCHED,
            player("headroom", target_lufs=-12.0),
            player("headroom", target_lufs=-16.0, applies="always"),
            player("unprotected", max_boost_db=2.0, max_cut_db=4.0),
        ]
    ),
    min_size=1,
    max_size=3,
)


@settings(max_examples=150, deadline=None)
@given(
    PARTS,
    st.lists(st.floats(-9.0, 9.0), min_size=4, max_size=4),
    PLAYERS,
    st.floats(-9.0, 6.0),
    st.tuples(st.integers(0, 3), st.integers(0, 3)),
)
def test_every_claim_holds_whatever_the_pair(
    parts: list[float], changes: list[float], players: list[Profile], peak_db: float, overs: tuple[int, int]
) -> None:
    """Computed again from the figures of the same JSON. The louder one is `loud` on the command line, but the
    rules hold in both directions."""
    counted = overs[0] if peak_db > 0.0 else 0
    open_ = song([(lufs, 8.0) for lufs in parts], -6.0)
    loud = song(
        [(lufs + more, 8.0) for lufs, more in zip(parts, changes, strict=False)], peak_db, overs=counted
    )
    found = compared(loud, open_, players)
    by_player = [
        [one for one in played_sentences(found, played, NAMES) if one.rule not in ("headroom", "overs")]
        for played in found.played
    ]
    tracks = (Track("/loud.wav", "loud"), Track("/open.wav", "open"))
    said = answer_sentences(found, NAMES), whole_sentences(found, NAMES), by_player
    checked = Claims(comparison_object(found, tracks, NAMES, *said)).check()
    assert checked["answer_gain"] == checked["answer_left"] == checked["answer_cost"] == 1
