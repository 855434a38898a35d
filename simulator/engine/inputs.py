"""Inputs after a command: playlists, folders, files, and the word `demo`."""

from __future__ import annotations

import os
from collections.abc import Sequence

from simulator.engine.playlists import read_playlists
from simulator.playlists.playlist import Playlist

DEMO = "demo"


def read_arguments(arguments: Sequence[str]) -> Playlist:
    """The playlist of the arguments; `demo` stands for the demo's, which is made first where it is
    missing (a file or folder of that name in the way wins only with its path: ./demo)."""
    words = list(arguments)
    if DEMO in words:
        from simulator.engine.demo_folder import demo_playlist

        made = os.fspath(demo_playlist())
        words = [made if word == DEMO else word for word in words]
    return read_playlists(words)
