"""Check that every file of a page is still the one that was measured, now that the page is made.

A page reads its files several times: to measure, to play, to check, and to cut its passages, which ends at
the last one and so cannot hash the whole. What the disk says of a file is noted before the first reading.
Where it says something else at the end, the file is read whole once more: only other samples are refused,
since a copy of the same, or a time that a backup has set, changes nothing on the page.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simulator.engine.measure import Job, Result, do_all
from simulator.engine.predict import CEILING_DBTP, Delivered
from simulator.playlists.playlist import Playlist
from simulator.storage.file_stamp import Stamp, changed_since, other_samples, stamp_of
from simulator.storage.measurement_cache import Store

Stamps = Mapping[str, Stamp | None]


def stamps_of(playlist: Playlist) -> Stamps:
    """What the disk says of each file now, by path; to be taken before any of them is read."""
    return {track.path: stamp_of(track.path) for track in playlist.tracks}


def refuse_changed(tracks: Sequence[Delivered], stamps: Stamps, store: Store) -> None:
    """Raises AudioError for the first file that holds something else by now than what was measured."""
    doubtful = [
        one
        for one in tracks
        if one.measurement is not None and changed_since(one.track.path, stamps.get(one.track.path))
    ]
    again = do_all([Job(one.track.path, CEILING_DBTP) for one in doubtful], store, 1)
    for one, now in zip(doubtful, again, strict=True):
        if not isinstance(now, Result) or now.content != one.content:
            raise other_samples(
                one.track.path, "No page was written; make it again, when nothing writes into the file."
            )
