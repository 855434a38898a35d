"""A page made for tests: two versions of a song and a reference, with titles that want to be markup."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from support.signals import both, pink_noise

from simulator.audibility.audibility import Audibility, Hits, Moment
from simulator.engine.predict import measure_tracks, predict
from simulator.page.file.request import ChangedPair, PageRequest
from simulator.playlists.playlist import Playlist, Track
from simulator.storage.bundled import load_profile
from simulator.storage.measurement_cache import Store

RATE = 44_100
NASTY = (
    '<script>alert("x")</script> & \'quoted\' "title" </title>',
    "‮ليلة على الماء‬ {{ 7 * 7 }} {% raw %}",
    "🎚️ " + "very long title " * 18 + "end",
)
PLAIN = ("Lantern (open master)", "Lantern (loud master)", "A reference")


def write_music(folder: Path, seconds: float = 8.0) -> list[Path]:
    """Open and loud versions with a step in the middle, 24 bits; a mono reference at another rate."""
    noise = pink_noise(round(seconds * RATE), seed=21, sample_rate=RATE)
    envelope = np.where(np.arange(noise.shape[0]) < noise.shape[0] // 2, 0.25, 1.0)
    music = noise / np.abs(noise).max() * envelope
    loud = np.clip(music * 4.0, -0.98, 0.98)
    reference = pink_noise(round(seconds * 32_000), seed=22, sample_rate=32_000)
    paths = [folder / name for name in ("open.wav", "loud.wav", "reference.wav")]
    wide = np.stack([0.9 * music, 0.9 * np.roll(music, 37)], axis=1)
    soundfile.write(paths[0], wide, RATE, subtype="PCM_24")
    soundfile.write(paths[1], both(loud), RATE, subtype="PCM_24")
    soundfile.write(paths[2], 0.5 * reference / np.abs(reference).max(), 32_000, subtype="PCM_24")
    return paths


def request_of(
    paths: list[Path],
    titles: tuple[str, ...] = PLAIN,
    *,
    profiles: tuple[str, ...] = ("minus14-headroom",),
    title: str = "Which master?",
    **more: object,
) -> PageRequest:
    """The request for a page over these files, measured without a cache."""
    tracks = tuple(
        Track(
            str(path),
            name,
            artist=f"By {name}",
            role="reference" if path.stem == "reference" else "master",
            song=None if path.stem == "reference" else "song",
        )
        for path, name in zip(paths, titles, strict=False)
    )
    playlist = Playlist(title, "The <client> & co", None, tracks, "made", "")
    store = Store(None, lambda _: None)
    chosen = [load_profile(name) for name in profiles]
    delivered = measure_tracks(playlist, store, 0)
    predictions = predict(chosen, delivered, "", store, 0)
    values: dict[str, object] = {"heard": range(len(tracks)), "seconds": 2.0, "seed": 5}
    return PageRequest(playlist, chosen, delivered, predictions, **(values | more))  # type: ignore[arg-type]


def changed_pair(*moments: Moment, share: float = 0.1) -> ChangedPair:
    """What a model of hearing might say of the loud version, track 1, against the open one, track 0."""
    hits = Hits(0, None, None)
    return ChangedPair(0, 1, Audibility(share, None, None, (), hits, None, None, moments, 1.0, ()))
