"""Versions that were written over while the desk is open, reported once for each new file."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simulator.session.state import Session
from simulator.session.track import versions
from simulator.storage.file_stamp import Stamp, changed_since, stamp_of


class Rewritten:
    """What was told already: a file that is written over again is told again."""

    def __init__(self) -> None:
        self._told: set[tuple[str, Stamp | None]] = set()

    def news(self, session: Session, sounds: Callable[[int], bool]) -> Iterator[str]:
        """A sentence for each version of the song that has another file now than the one that was measured.
        `sounds`: is the old one whole in its lane? If not, the lane itself will say what is wrong."""
        for track in versions(session.tracks, session.track):
            view = session.tracks[track]
            if not changed_since(view.path, view.stamp):
                continue
            told = view.path, stamp_of(view.path)
            if told in self._told or not sounds(track):
                continue
            self._told.add(told)
            yield (
                f"{view.path} has been written anew since it was measured: the old one goes on sounding. "
                f"replace {track + 1} {view.path} takes the new one."
            )
