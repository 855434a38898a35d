"""What does the desk play where a player gives out a decode? Files of a session's own, made by the codec.

The files lie in `decoded-PID` in the cache folder (mode 0700) while the session lasts; what dead sessions
left is removed. Encoders and decoders run in a worker process, whose crash costs one track.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

from simulator.errors import SimulatorError
from simulator.player.profile_format import Delivery
from simulator.shell import workers
from simulator.shell.codec_lanes import Lane, LaneJob, write_lane
from simulator.shell.record_file import process_lives
from simulator.shell.store import cache_folder
from simulator.shell.writing import make_folder

PREFIX = "decoded-"
Decode = tuple[str, Delivery, Lane]
"""The file, what delivers it, and what of that is heard."""


class Decodes:
    """The decodes of a session, and what they differ by from their masters."""

    def __init__(self, base: Path | None = None) -> None:
        self._base = base or cache_folder()
        self.paths: dict[Decode, str] = {}
        self.problems: list[SimulatorError] = []

    def make(
        self,
        files: Sequence[str],
        delivery: Delivery,
        lane: Lane = "decoded",
        contents: Mapping[str, str] | None = None,
        keep_in: Path | None = None,
    ) -> None:
        """Has what is not there yet made; a file that fails is in `problems`. `contents` (the files' hashes)
        and `keep_in` (the cache's folder) find what is encoded already. Raises WriteError."""
        known = contents or {}
        missing = [path for path in files if (path, delivery, lane) not in self.paths]
        if not missing:
            return
        folder = self._folder()
        jobs = [
            LaneJob(
                path,
                delivery,
                lane,
                os.fspath(folder / f"{len(self.paths) + number}.wav"),
                content=known.get(path, ""),
                keep_in=keep_in,
            )
            for number, path in enumerate(missing)
        ]
        for index, done in workers.run(write_lane, jobs, 1, lambda job: job.path):
            if isinstance(done, SimulatorError):
                self.problems.append(done)
            else:
                self.paths[jobs[index].path, delivery, lane] = jobs[index].target

    def close(self) -> None:
        """Removes them all."""
        shutil.rmtree(self._base / f"{PREFIX}{os.getpid()}", ignore_errors=True)
        self.paths.clear()

    def _folder(self) -> Path:
        """This session's, made at its first use; those of dead sessions go."""
        for old in self._base.glob(f"{PREFIX}*"):
            number = old.name.removeprefix(PREFIX)
            if number.isdigit() and not process_lives(int(number)):
                shutil.rmtree(old, ignore_errors=True)
        folder = self._base / f"{PREFIX}{os.getpid()}"
        make_folder(folder)
        os.chmod(folder, 0o700)
        return folder
