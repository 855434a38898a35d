"""The demo's music, made once into the cache folder, never into the program's own."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from simulator.common.errors import SimulatorError
from simulator.engine.workers import default_workers, run
from simulator.storage.bundled import data_folder
from simulator.storage.folders import cache_folder
from simulator.storage.process_life import name_mark, named_lives
from simulator.storage.writing import make_folder, refusal, write_error

MAKING = ".making-"
Piece = tuple[str, str, str]
"""A score's name, its text, and the folder to write to."""


def demo_playlist(most_workers: int | None = None) -> Path:
    """The path of the demo's playlist; its audio lies beside it. Made where it is missing: written to
    a folder of its own and moved into place in one step, so that it is whole or not there."""
    from simulator.demo.demo import fingerprint, scores

    texts = {
        path.stem: path.read_text(encoding="utf-8")
        for path in sorted(data_folder("demo_playlist").glob("*.toml"))
    }
    home = cache_folder() / "demo"
    folder = home / fingerprint(texts)
    playlist = folder / "playlist.toml"
    if playlist.is_file():
        return playlist
    making = home / f"{MAKING}{name_mark(os.getpid())}"
    make_folder(making)
    for old in home.glob(f"{MAKING}*"):  # what a run that was killed has left
        with contextlib.suppress(ValueError):
            if not named_lives(old.name.removeprefix(MAKING)):
                shutil.rmtree(old, ignore_errors=True)
    try:
        jobs: list[Piece] = [(name, texts[name], os.fspath(making)) for name in scores(texts)]
        workers = default_workers() if most_workers is None else most_workers
        for _, result in run(write_piece, jobs, workers if workers > 1 else 0, lambda job: f"demo {job[0]}"):
            if isinstance(result, SimulatorError):
                raise result
        (making / "playlist.toml").write_text(texts["playlist"], encoding="utf-8")
        try:
            os.rename(making, folder)
        except OSError:
            if not playlist.is_file():  # else another process was quicker, and its files are the same
                raise
    except OSError as problem:
        raise write_error(home, problem) from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(making)
    return playlist


def write_piece(job: Piece) -> list[str]:
    """Plays one score and writes its masters as 24-bit WAV; the names written."""
    import numpy as np
    import soundfile

    from simulator.demo.demo import files, read_score

    name, text, folder = job
    written = []
    for stem, rate, samples in files(read_score(name, text)):
        path = os.path.join(folder, f"{stem}.wav")
        # rounded here, since libsndfile truncates; nothing is above full scale in a master
        steps = np.rint(samples.astype(np.float64) * 2.0**23).clip(-(2**23), 2**23 - 1).astype(np.int32)
        try:
            soundfile.write(path, steps << 8, rate, subtype="PCM_24")
        except (OSError, RuntimeError) as problem:
            why = problem if isinstance(problem, OSError) else refusal(Path(path), str(problem))
            raise write_error(Path(path), why) from None
        written.append(stem)
    return written
