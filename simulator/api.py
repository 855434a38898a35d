"""The Python interface: `from simulator import measure, predict, compare, ladder, check`.

Audio is a path, or a tuple (samples, sample_rate) with samples float (frames,) or (frames, channels). Players
are ids of bundled profiles or paths to .toml files. What comes back are the program's own frozen values. All
work is done in the calling process: no worker is started, so notebooks and scripts without a main guard are
safe. What a command keeps in its cache is used and kept here too.

    >>> from simulator import measure, predict
    >>> measure("master.wav").integrated_lufs          # doctest: +SKIP
    -9.31
    >>> predict("master.wav", player="minus14-headroom")[0].decision.gain_db   # doctest: +SKIP
    -4.69
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import threadpoolctl
from numpy.typing import NDArray

from simulator.common.errors import SimulatorError
from simulator.comparison.versions import Comparison
from simulator.engine.compare import VersionPair, compare_pair
from simulator.engine.predict import Delivered, deliver
from simulator.engine.predict import predict as predict_all
from simulator.engine.workers import in_this_process
from simulator.metering.measurement import Measurement
from simulator.normalizer.prediction import Prediction
from simulator.normalizer.profile import Profile
from simulator.playlists.playlist import Playlist, Track, one_album, title_from_path
from simulator.storage.bundled import load_profiles
from simulator.storage.folders import cache_folder
from simulator.storage.measurement_cache import Store

Audio = str | os.PathLike[str] | tuple[NDArray[np.floating], int]
PLAYER = "minus14-headroom"


def measure(audio: Audio) -> Measurement:
    """Loudness (LUFS), peaks (dBTP, dBFS) and dynamics of one recording, by ITU-R BS.1770-5, EBU Tech 3341
    and Tech 3342. Raises AudioError for a file that cannot be read."""
    with _opened(audio) as (playlist, store):
        return _measured(deliver(playlist, store, 0))[0][1]


def predict(*audio: Audio, player: str = PLAYER) -> tuple[Prediction, ...]:
    """What a player makes of each track, in order: gain (dB), reason, and the figures as played. Where the
    player sets one gain for an album, the tracks are one. Raises AudioError, ProfileError."""
    with _opened(*audio) as (playlist, store):
        [profile] = load_profiles([player])
        return _predicted([profile], deliver(playlist, store, 0), store)[0]


def compare(loud: Audio, open_: Audio, *, players: tuple[str, ...] = (PLAYER,)) -> Comparison:
    """Two versions of one song: alignment, difference, and both as delivered and on each player. Differences
    ("gap") are loud minus open. Raises AudioError, ProfileError."""
    with _opened(loud, open_) as (playlist, store):
        profiles = load_profiles(players)
        versions = tuple(replace(track, song="compared", album=None) for track in playlist.tracks)
        delivered = deliver(replace(playlist, tracks=versions), store, 0)
        (first, one), (second, other) = _measured(delivered)
        rows = [(row[0], row[1]) for row in _predicted(profiles, delivered, store)]
        return compare_pair(VersionPair((first, second), (one, other), profiles, rows), store)


@contextlib.contextmanager
def _opened(*audio: Audio) -> Iterator[tuple[Playlist, Store]]:
    """The recordings as a playlist, arrays as 32-bit float files for the time of the block; and the cache."""
    import soundfile

    with contextlib.ExitStack() as held:
        held.enter_context(in_this_process())
        held.enter_context(threadpoolctl.threadpool_limits(1, user_api="blas"))
        folder: Path | None = None
        paths = []
        for number, one in enumerate(audio, 1):
            if isinstance(one, tuple):
                if folder is None:
                    folder = Path(held.enter_context(tempfile.TemporaryDirectory(prefix="fairhearing-")))
                path = folder / f"{number}.wav"
                soundfile.write(path, np.asarray(one[0], np.float32), one[1], subtype="FLOAT")
                paths.append(os.fspath(path))
            else:
                paths.append(os.path.abspath(one))
        store = Store(cache_folder(), lambda _: None)
        held.callback(store.close)
        tracks = tuple(Track(path=path, title=title_from_path(path)) for path in paths)
        yield one_album("", "call", tracks, ""), store


def _measured(delivered: list[Delivered]) -> list[tuple[Track, Measurement]]:
    found = []
    for one in delivered:
        if one.measurement is None:
            raise one.problem or SimulatorError(f"{one.track.path}: could not be measured.")
        found.append((one.track, one.measurement))
    return found


def _predicted(
    profiles: list[Profile], delivered: list[Delivered], store: Store
) -> list[tuple[Prediction, ...]]:
    _measured(delivered)
    rows = []
    for row in predict_all(profiles, delivered, "", store, 0):
        for one, track in zip(row, delivered, strict=True):
            if not isinstance(one, Prediction):
                raise one or SimulatorError(f"{track.track.path}: could not be played.")
        rows.append(tuple(one for one in row if isinstance(one, Prediction)))
    return rows
