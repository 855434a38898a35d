"""Level of the versions of a trial, by the frames that will play, once their lanes are whole.

What was offered rests on the series of 100 ms; what is played rests on this, so that matched versions are
within 0.1 LU of each other on any passage, and the difference that a result tells is the one that was heard.
Levels in LUFS before the monitor's trim, as they sound: a mono version comes from two loudspeakers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from simulator.blind_test import trial
from simulator.session.blind.run import Run
from simulator.session.levels import source_of
from simulator.session.sound import Source
from simulator.session.state import Session


def sources_of(
    session: Session, tracks: Sequence[int], turned_down_db: Mapping[int, float]
) -> tuple[Source, ...]:
    """What sounds for each version of a trial."""
    return tuple(
        source_of(session.tracks, track, *session.through, turned_down_db.get(track, 0.0)) for track in tracks
    )


def levelled(session: Session, run: Run, levels_lufs: Sequence[float]) -> Run:
    """The trial with what each passage measured in its lane, in the order of the plan's versions; matched
    ones are turned down to the least loud of them. As it was where nothing was measured."""
    if len(levels_lufs) != len(run.sources):
        return run
    heard = [found + source.gain_db for found, source in zip(levels_lufs, run.sources, strict=True)]
    turned = dict(run.turned_down_db)
    if session.state == "matched":
        lowest = min(heard)
        for track, level in zip(run.wanted.tracks, heard, strict=True):
            turned[track] = turned.get(track, 0.0) + level - lowest
        heard = [lowest] * len(heard)
    plan = replace(run.trial.plan, level_difference_lu=max(heard) - min(heard))
    return replace(
        run,
        trial=trial.begin(plan),
        sources=sources_of(session, run.wanted.tracks, turned),
        turned_down_db=turned,
    )
