"""Words for what is likely to be heard: the numbers are in them, and nothing is called bad."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulator.audibility.audibility import Audibility, Hits, Moment, MomentKind
from simulator.text.audibility import (
    CAVEAT,
    NOTHING,
    audibility_answer,
    audibility_line,
    audibility_object,
    moment_line,
)

NONE = Audibility(0.0, None, None, (), Hits(0, None, None), None, None, (), 1.0, ())


@pytest.mark.parametrize(("moment", "line"), [
    (Moment(MomentKind.ATTACK, 62.3, 3.0, 5.24, 1.7), "1:02.3: hits lose 5.2 dB of attack"),
    (Moment(MomentKind.PUMPING, 48.0, 3.0, 3.08, 1.5), "0:48.0: the level pumps by 3.1 dB"),
    (Moment(MomentKind.TONE, 134.0, 3.0, -20.0, 3.2, 55.0, 55.0),
     "2:14.0: the bass distorts (10 % harmonics added)"),
    (Moment(MomentKind.TONE, 1.0, 3.0, -26.0, 1.6, 440.0, 440.0),
     "0:01.0: a held note distorts (5 % harmonics added)"),
    (Moment(MomentKind.CHANGE, 0.0, 3.0, 4.0, 4.0, 1820.0, 3040.0),
     "0:00.0: the sound changes, most from 1.8 to 3.0 kHz"),
    (Moment(MomentKind.CHANGE, 0.0, 3.0, 4.0, 4.0, 240.0, 430.0),
     "0:00.0: the sound changes, most from 240 to 430 Hz"),
])  # fmt: skip
def test_a_moment_in_words(moment: Moment, line: str) -> None:
    assert moment_line(moment) == line


def test_the_answer_says_how_much_or_that_nothing_is_expected() -> None:
    assert audibility_answer(NONE) == NOTHING
    assert "nothing to hear" in audibility_answer(replace(NONE, share_audible=None))
    assert "43 %" in audibility_answer(replace(NONE, share_audible=0.43))
    pumping = Moment(MomentKind.PUMPING, 48.0, 3.0, 3.0, 1.5)
    assert audibility_answer(replace(NONE, moments=(pumping,))) != NOTHING


def test_the_object_has_plain_values_and_the_caveat() -> None:
    moments = tuple(Moment(MomentKind.PUMPING, at, 3.0, 3.0, 1.5 + at) for at in (0.0, 9.0, 18.0, 27.0))
    form = audibility_object(replace(NONE, share_audible=0.5, moments=moments))
    assert [one["kind"] for one in form["moments"]] == ["pumping"] * 4
    assert form["sentences"][1].startswith("0:27.0: ")
    assert len(form["sentences"]) == 5
    assert form["sentences"][-1] == CAVEAT


def test_the_worst_take_turns_between_the_kinds() -> None:
    """What the model finds is often the severest: it does not push out a hit that loses its attack."""
    change = [Moment(MomentKind.CHANGE, at, 3.0, 9.0, 9.0 - at / 100.0) for at in (0.0, 10.0, 20.0)]
    attack = [Moment(MomentKind.ATTACK, at, 3.0, 4.0, 1.3) for at in (2.0, 40.0)]
    found = replace(NONE, share_audible=0.5, moments=(*change, *attack)).worst(3)
    assert [one.at_s for one in found] == [0.0, 10.0, 40.0]
    alone = replace(NONE, share_audible=0.5, moments=(*change, attack[1])).worst(2)
    assert [one.kind for one in alone] == [MomentKind.CHANGE, MomentKind.ATTACK]


def test_one_line_says_how_much_and_where_to_listen_first() -> None:
    assert audibility_line(NONE) == "No audible change is expected (a model's estimate)."
    moment = Moment(MomentKind.PUMPING, 48.0, 3.0, 3.1, 1.0, None, None)
    found = replace(NONE, share_audible=0.163, moments=(moment,))
    assert audibility_line(found) == (
        "Likely audible in 16 % of the music (a model's estimate): listen at 0:48.0."
    )
    assert "under 1 %" in audibility_line(replace(found, share_audible=0.004))
