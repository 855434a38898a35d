"""What `explain` and `list` say is of what sounds: behind the simulated converter, and of a difference."""

from __future__ import annotations

from dataclasses import replace

import msgspec
from support.made_measurements import made
from support.made_session import profiles, session

from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.session.codec_variants import behind_converter, raise_words
from simulator.session.state import Session
from simulator.session.track import PlayedView
from simulator.text.desk.screens import explanation, listing, marks

PLAYER = "minus14-headroom"


def with_player(name: str, peak_dbtp: float) -> Session:
    """The session whose first track has that player worked out, with a peak of its own to know it by."""
    start = session()
    player = msgspec.structs.replace(profiles()[PLAYER], id=name)
    measured = made(-14.0, peak_dbtp)
    played = PlayedView(from_gain(decide(player, measured), measured), False)
    first = replace(start.tracks[0], played={**start.tracks[0].played, name: played})
    return replace(start, tracks=(first, *start.tracks[1:]), profiles={**start.profiles, name: player})


def test_with_the_converter_on_its_figures_are_shown() -> None:
    name = behind_converter(profiles()[PLAYER]).id
    off = with_player(name, -6.7)
    on = replace(off, converter=True)
    assert "peaks at −6.7 dBTP" not in explanation(off, 0)
    assert "peaks at −6.7 dBTP" in " ".join(explanation(on, 0).split())
    assert "−6.7" not in listing(off)
    assert "−6.7" in listing(on)
    # before it is worked out, what is known stays
    assert explanation(replace(session(), converter=True), 0) == explanation(session(), 0)


def test_a_difference_is_not_explained_as_music() -> None:
    name = f"{PLAYER}+opus128+difference20"
    start = with_player(name, -20.3)
    prediction = start.tracks[0].played[name].prediction
    why = replace(prediction.decision, reason=raise_words(-6.0, 6.0, 20.0))
    played = {name: PlayedView(replace(prediction, decision=why), True)}
    start = replace(start, profile=name, tracks=(replace(start.tracks[0], played=played),))
    said = " ".join(explanation(start, 0).split())
    assert "Only the codec residual, at 0.0 dB" in said
    assert "peaks at −20.3 dBTP" in said
    assert "target" not in said
    assert "limiter" not in said


def test_what_has_no_loudest_passage_is_told_without_one() -> None:
    start = session()
    short = PlayedView(from_gain(decide(profiles()[PLAYER], made(None, -3.0)), made(None, -3.0)), False)
    first = replace(start.tracks[0], played={PLAYER: short})
    said = " ".join(explanation(replace(start, tracks=(first, *start.tracks[1:])), 0).split())
    assert "As played it has no measurable loudness. It peaks at −3.0 dBTP." in said
    assert "–" not in said


def test_marks_tell_how_many_notes_of_earlier_sessions_there_are_and_where() -> None:
    def said(earlier: int) -> str:
        start = replace(session(), earlier_notes=earlier, record_path="/music/list.session.json")
        return " ".join(marks(start).split())

    assert said(0) == "No marks or notes in this session yet. To add one: mark NAME, note TEXT"
    assert said(1) == f"{said(0)} 1 note from an earlier session: /music/list.session.json"
    assert said(12).endswith("12 notes from earlier sessions: /music/list.session.json")
