"""What the artist's screen shows, as JSON, made from the stage alone, so that it never shows more.

A song is its title, the version that plays, the level mode in the words of the client's page, and the curves
as shares of the plot's height: no figure in LUFS, LU or dB. Of a blind trial there are the letters, and which
of them plays.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from simulator.common.listening import Listen, State
from simulator.text.colours import VERSIONS_ON_DARK
from simulator.text.desk.stage import Stage, StageCurve
from simulator.text.desk.status_bar import Bar, clock_time

SCREEN_COLUMNS = 160
"""Cells of the stage that this screen is made from: twice as many values a curve."""
MODES: dict[State, str] = {
    "delivered": "The raw file",
    "played": "As listeners hear it",
    "matched": "Equally loud in this passage",
}
LISTENS: dict[Listen, str] = {"stereo": "", "mono": "mono", "side": "left minus right"}


def scene_json(stage: Stage) -> str:
    """Everything but the place, which moves."""
    bar = stage.bar
    if bar.trial is not None:
        letters = {"letters": list(bar.trial.letters), "letter": bar.trial.letter}
        return _json({"kind": "trial", **letters, "playing": bar.motion == "playing"})
    playing = next((curve for curve in stage.curves if curve.playing), None)
    version = bar.title if playing is None else playing.name
    scene = {
        "kind": "song",
        "title": bar.title.removesuffix(f"({version})").strip() if version != bar.title else "",
        "version": version,
        "colour": None if playing is None else _colour(playing),
        "mode": MODES[bar.state],
        "status": _status(bar),
        "loop": stage.loop,
    }
    # the curves change seldom, and are most of the text
    return f"{_json(scene)[:-1]}, {_curves_json(stage.curves, stage.low_lufs, stage.high_lufs)[1:]}"


def place_json(stage: Stage) -> str:
    """The moment: its share of the song, and the clock; empty in a blind trial."""
    bar = stage.bar
    if bar.trial is not None:
        return ""
    share = min(max(bar.place_s / bar.length_s, 0.0), 1.0) if bar.length_s else 0.0
    clock = f"{clock_time(bar.place_s)} / {clock_time(bar.length_s)}"
    return _json({"share": round(share, 4), "clock": clock})


def _status(bar: Bar) -> str:
    """What plays or does not, and what sounds odd on purpose."""
    state = "no sound" if not bar.alive else "muted" if bar.mute else bar.motion
    return " · ".join(one for one in (state, LISTENS[bar.listen]) if one)


@lru_cache(maxsize=4)
def _curves_json(curves: tuple[StageCurve, ...], low_lufs: float, high_lufs: float) -> str:
    def height(value: float | None) -> float | None:
        return None if value is None else round((min(max(value, low_lufs), high_lufs) - low_lufs) / span, 3)

    span = high_lufs - low_lufs
    drawn = [
        {
            "name": curve.name,
            "colour": _colour(curve),
            "playing": curve.playing,
            "heights": [height(value) for value in curve.values],
        }
        for curve in curves
    ]
    return _json({"curves": drawn})


def _colour(curve: StageCurve) -> str:
    return VERSIONS_ON_DARK[curve.colour % len(VERSIONS_ON_DARK)]


def _json(values: Mapping[str, Any]) -> str:
    return json.dumps(values, ensure_ascii=False, allow_nan=False)
