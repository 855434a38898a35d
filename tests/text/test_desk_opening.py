"""What the opening screen says of the references: together, and of one alone in words of its own."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.made_measurements import made
from support.made_session import profiles, session

from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.session.state import Session
from simulator.session.track import PlayedView
from simulator.text.desk.screens import opening

PLAYER = "minus14-headroom"


def with_references(*loudness_lufs: float) -> Session:
    """A list of references alone, which peak at −10 dBTP, so that all have room to be raised."""
    start = session()
    views = []
    for number, one in enumerate(loudness_lufs):
        measured = made(one, -10.0)
        played = PlayedView(from_gain(decide(profiles()[PLAYER], measured), measured), False)
        views.append(
            replace(
                start.tracks[0],
                path=f"{number}.wav",
                role="reference",
                delivered=measured,
                played={PLAYER: played},
            )
        )
    return replace(start, tracks=tuple(views), profile=PLAYER)


@pytest.mark.parametrize(("loudness_lufs", "said"), [
    ([-16.0], "• The reference is turned up by 2.0 dB."),
    ([-9.5], "• The reference is turned down by 4.5 dB."),
    ([-14.0], "• The reference is left as delivered."),
    ([-14.0, -14.0], "• 2 references: left as delivered."),
    ([-16.0, -9.5, -14.0], "• 3 references: 1 turned down, 1 turned up, 1 left as delivered, by −4.5 to"),
])  # fmt: skip
def test_what_happens_to_the_references(loudness_lufs: list[float], said: str) -> None:
    assert said in " ".join(opening(with_references(*loudness_lufs)).split())
