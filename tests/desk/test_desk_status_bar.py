"""The toolbar's values come from the session as it sounds and from the deck's last word."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
from support.fake_player import FakePlayer
from support.made_measurements import made, player

from simulator.deck.interface import Now
from simulator.desk.live_view import bar_of
from simulator.dsp.limiter import LimiterReport
from simulator.metering.meter import Reading
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_chain, from_gain
from simulator.session.state import Session
from simulator.session.track import PlayedView, TrackView

GAIN = msgspec.structs.replace(player("headroom"), id="gain")
LIMITED = msgspec.structs.replace(player("limited"), id="limited")


def track(title: str, loudness_lufs: float, peak_db: float) -> TrackView:
    """Through a gain-only player, and through one whose limiter took 1.5 dB of everything."""
    found = made(loudness_lufs, peak_db)
    plain, raised = decide(GAIN, found), decide(LIMITED, found)
    held = found.with_gain(raised.gain_db - 1.5)
    played = {
        "gain": PlayedView(from_gain(plain, found), False),
        "limited": PlayedView(from_chain(raised, found, held, LimiterReport(6.0, 1.5, 0.3)), True),
    }
    return TrackView(title, "", "master", "song", None, f"/{title}.wav", found, played)


SESSION = Session(
    (track("Song (open)", -18.0, -2.0), track("Song (loud)", -8.0, -0.5)),
    {"gain": GAIN, "limited": LIMITED},
    "gain",
    motion="playing",
    place_s=30.0,
)


def bar(session: Session, **now: object) -> object:
    return bar_of(session, FakePlayer("device"), Now(playing=True, **now), Reading(-26.0, -25.0, -13.0), 0)


@pytest.mark.parametrize(
    ("changes", "values"),
    [
        ({}, {"gain_db": 1.0, "limiter_lu": None, "state": "played", "difference_lu": -3.0}),
        ({"profile": "limited"}, {"gain_db": 4.0, "limiter_lu": 1.5, "difference_lu": 0.0}),
        ({"state": "delivered"}, {"gain_db": 0.0, "limiter_lu": None, "difference_lu": -10.0}),
        ({"track": 1}, {"number": 2, "title": "Song (loud)", "gain_db": -6.0, "other": "open"}),
    ],
    ids=["a gain", "a limiter", "as delivered", "the other version"],
)
def test_gain_limiter_and_difference_are_those_of_what_sounds(
    changes: dict[str, object], values: dict[str, object]
) -> None:
    found = bar(replace(SESSION, **changes))
    for name, value in values.items():
        wanted = pytest.approx(value, abs=1e-6) if isinstance(value, float) else value
        assert getattr(found, name) == wanted, name


def test_matched_here_turns_the_louder_one_down_only() -> None:
    matched = replace(SESSION, state="matched", track=1).settled()
    found = bar(matched)
    assert found.gain_db == pytest.approx(-6.0 - 3.0)
    assert found.difference_lu == pytest.approx(0.0, abs=1e-6)
    assert bar(replace(matched, track=0)).gain_db == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("changes", "now", "notice"),
    [
        ({}, {}, ""),
        ({}, {"waiting": True}, "preparing…"),
        ({}, {"alive": False}, "no sound: device lost"),
        ({"trouble": "gone"}, {"waiting": True}, "no sound: device lost"),
        ({"wanted": "limited"}, {}, "calculating limited…"),
    ],
)
def test_the_one_thing_to_know_first(changes: dict[str, object], now: dict[str, object], notice: str) -> None:
    assert bar(replace(SESSION, **changes), **now).notice == notice


def test_a_rate_other_than_the_devices_is_resampled() -> None:
    now, rate = Now(playing=True), SESSION.here.delivered.sample_rate
    shown = [
        bar_of(SESSION, FakePlayer("device", sample_rate=one), now, Reading(), 0).resampled
        for one in (rate, 96_000)
    ]
    assert shown == [None, (rate, 96_000)]
