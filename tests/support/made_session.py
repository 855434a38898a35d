"""A session over made measurements: two versions of a song with a verse and a chorus, and a reference."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from support.made_measurements import made

from simulator.common.units import lufs_to_energy
from simulator.metering.measurement import Measurement, Series
from simulator.normalizer.decision import decide
from simulator.normalizer.prediction import from_gain
from simulator.normalizer.profile import Profile
from simulator.session.events import Event, Tick, Typed
from simulator.session.session import opened, step
from simulator.session.state import Session
from simulator.session.track import PlayedView, TrackView
from simulator.storage.bundled import load_profiles

STANDARD = ("minus14-headroom", "minus14-down", "untouched", "louder-setting")


def song(levels: list[float], peak_db: float, seconds_each: float = 20.0) -> Measurement:
    """A track of parts of constant loudness."""
    steps = round(seconds_each * 10)
    energy = np.concatenate([np.full(steps, lufs_to_energy(level)) for level in levels])
    flat = made(-14.0, peak_db, seconds=seconds_each * len(levels))
    peaks = np.full(energy.shape[0], flat.series.true_peak[0], dtype=np.float32)
    # a measurement of these series: the project's own gating reads them after a gain of nothing
    found = replace(flat, series=Series(energy, peaks)).with_gain(1e-12)
    return replace(
        found,
        series=Series(energy, peaks),
        true_peak_dbtp=peak_db,
        sample_peak_dbfs=peak_db,
        max_momentary_lufs=max(levels),
    )


@cache
def profiles() -> dict[str, Profile]:
    return {one.id: one for one in load_profiles(STANDARD)}


def view(title: str, measured: Measurement, role: str = "master", song_key: str | None = None) -> TrackView:
    """A track with the gain-only players worked out; the limited one is left to be asked for."""
    played = {
        name: PlayedView(from_gain(decide(one, measured), measured), False)
        for name, one in profiles().items()
        if name != "louder-setting"
    }
    return TrackView(title, "", role, song_key, None, f"/music/{title}.wav", measured, played)


@cache
def session() -> Session:
    """Open: verse −20, chorus −10 LUFS. Crushed: −9 and −7.2. A reference at −16; one that cannot be read."""
    tracks = (
        view("Song (open)", song([-20.0, -10.0, -20.0], -1.0), song_key="song"),
        view("Song (crushed)", song([-9.0, -7.2, -9.0], 0.5), song_key="song"),
        view("Reference", song([-16.0, -16.0, -16.0], -1.5), "reference"),
        TrackView(
            "Gone", "", "reference", None, None, "/music/gone.wav", None, {}, problem="It is not there."
        ),
    )
    return Session(tracks, profiles(), "minus14-headroom", "Test", "Client")


class Desk:
    """Drives a session by lines and ticks; keeps every effect of the last event in `effects`."""

    def __init__(self, start: Session | None = None, trim_db: float | None = None) -> None:
        self.session, self.effects = opened(start or session(), trim_db, "at 0")

    def do(self, event: Event | str) -> str:
        """What was said."""
        from simulator.session.events import Say

        event = Typed(event, "at 1") if isinstance(event, str) else event
        self.session, self.effects = step(self.session, event)
        return " ".join(one.text for one in self.effects if isinstance(one, Say))

    def at(self, place_s: float, segment: int | None = None) -> None:
        self.do(Tick(self.session.segment if segment is None else segment, place_s))

    def found(self, kind: type) -> list:
        return [one for one in self.effects if isinstance(one, kind)]
