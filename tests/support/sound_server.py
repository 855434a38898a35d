"""Playing for real without a sound card: a private sound server whose null sink is recorded, and an ALSA
device that is a file. Debian: pulseaudio, pulseaudio-utils, libasound2-plugins, libportaudio2.

The capture is the truth: `runs` finds each of its frames in what was played, where frames are all different.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RATE = 44_100
LIMIT_SECONDS = 10.0
DEVICE = "pulse"
Audio = NDArray[np.float32]


def has_sound_server() -> bool:
    """Is all there that the server and its recording need?"""
    return all(shutil.which(name) for name in ("pulseaudio", "pactl", "parec", "pacat"))


class SoundServer:
    """A sound server of its own in a folder; clients find it by `environment`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(mode=0o700, exist_ok=True)
        self.environment = {
            "PULSE_SERVER": f"unix:{folder / 'native'}",
            "PULSE_COOKIE": str(folder / "cookie"),
            "PULSE_RUNTIME_PATH": str(folder),
            "PULSE_STATE_PATH": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
        }
        self._process: subprocess.Popen[bytes] | None = None
        self._keeper: subprocess.Popen[bytes] | None = None

    @property
    def _env(self) -> dict[str, str]:
        return {**os.environ, **self.environment, "HOME": str(self.folder)}

    def start(self) -> None:
        """Starts the server, and something that keeps its sink running."""
        command = [
            "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--realtime=no",
            "--high-priority=no", "--disable-shm=yes", f"--log-target=file:{self.folder / 'pulse.log'}",
            "-L", f"module-native-protocol-unix auth-anonymous=1 socket={self.folder / 'native'}",
            "-L", f"module-null-sink sink_name=cap format=float32le rate={RATE} channels=2 norewinds=1",
        ]  # fmt: skip
        (self.folder / "native").unlink(missing_ok=True)
        # as a service runs: in a session of its own, so that the tests' load is not its own
        self._process = subprocess.Popen(
            command, env=self._env, stderr=subprocess.DEVNULL, start_new_session=True
        )
        end = time.monotonic() + LIMIT_SECONDS
        while subprocess.run(["pactl", "info"], env=self._env, capture_output=True, timeout=10).returncode:
            if time.monotonic() > end:
                raise RuntimeError("the sound server did not start")
            time.sleep(0.02)
        # zeros leave the samples' bits alone
        keep = ["pacat", "--playback", "--raw", "--format=float32le", f"--rate={RATE}", "--channels=2"]
        self._keeper = subprocess.Popen(
            [*keep, "--latency-msec=20", "/dev/zero"], env=self._env, stderr=subprocess.DEVNULL
        )

    def halt(self) -> None:
        """The server stops answering, as one that hangs."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def stop(self) -> None:
        """Ends the server by its process id."""
        for process in (self._keeper, self._process):
            if process is not None:
                process.send_signal(signal.SIGCONT)
                process.kill()
                process.wait()
        self._keeper = self._process = None

    @contextmanager
    def recorded(self, path: Path) -> Iterator[None]:
        """Records what the sink plays while this lasts."""
        command = [
            "parec",
            "--device=cap.monitor",
            "--format=float32le",
            f"--rate={RATE}",
            "--channels=2",
            "--raw",
        ]
        with path.open("wb") as target:
            recorder = subprocess.Popen(
                [*command, "--latency-msec=20"],
                env=self._env,
                stdout=target,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
            try:
                end = time.monotonic() + LIMIT_SECONDS
                while not path.stat().st_size:
                    if time.monotonic() > end:
                        raise RuntimeError("the recorder did not start")
                    time.sleep(0.01)
                yield
                time.sleep(0.3)  # what is still on its way
            finally:
                recorder.terminate()
                recorder.wait()


@contextmanager
def sound_server(folder: Path) -> Iterator[SoundServer]:
    """A running server, ended whatever happens."""
    server = SoundServer(folder)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def alsa_file(folder: Path) -> tuple[dict[str, str], Path]:
    """An ALSA device named `out` that writes what it gets into a raw file, as fast as it comes: the
    environment that names it, and the file."""
    target = folder / "out.raw"
    text = (
        "</usr/share/alsa/alsa.conf>\n"
        f'pcm.out {{ type file slave.pcm "null" file "{target}" format "raw"\n'
        '  hint { show on description "out" } }\n'
    )
    settings = folder / "alsa.conf"
    settings.write_text(text, encoding="utf-8")
    return {"ALSA_CONFIG_PATH": str(settings)}, target


def read_raw(path: Path) -> Audio:
    """The frames of a raw float32 file (frames, 2)."""
    data = np.fromfile(path, np.float32)
    return data[: data.shape[0] // 2 * 2].reshape(-1, 2)


def unique_frames(frames: int, seed: int) -> Audio:
    """Frames (frames, 2) that are all different, none of them zero, on a 24-bit grid (2^24 at most)."""
    rng = np.random.default_rng(seed)
    left = rng.integers(1, 2**20, frames)
    right = rng.permutation(frames) + 1  # no two are the same, so no two frames are
    return (np.stack([left, right], axis=1) / 2.0**23).astype(np.float32)


@dataclass(frozen=True)
class Run:
    """Captured frames [at, at + length) are the source's from `source` on; None: they are none of it."""

    at: int
    length: int
    source: int | None


def runs(captured: Audio, source: Audio) -> list[Run]:
    """What was captured, as stretches of the source and of frames that are not (silence, faded frames)."""
    known = _codes(source)
    order = np.argsort(known, kind="stable")
    codes = _codes(captured)
    where = np.searchsorted(known[order], codes).clip(0, known.shape[0] - 1)
    place = order[where]
    place = np.where(known[place] == codes, place, -1)
    offset = np.where(place >= 0, place - np.arange(place.shape[0]), np.iinfo(np.int64).min)
    edges = np.flatnonzero(np.diff(offset)) + 1
    starts = np.concatenate([[0], edges])
    ends = np.concatenate([edges, [place.shape[0]]])
    return [
        Run(int(a), int(b - a), int(place[a]) if place[a] >= 0 else None)
        for a, b in zip(starts, ends, strict=True)
        if b > a
    ]


def sounding(captured: Audio) -> Audio:
    """The capture from its first frame that is not silent to its last."""
    heard = np.flatnonzero(captured.any(axis=1))
    return captured[heard[0] : heard[-1] + 1] if heard.shape[0] else captured[:0]


def heard(captured: Audio) -> Audio:
    """The capture without silent frames: where a machine is too busy the server puts some in, which is the
    matter of the test that counts gaps."""
    return captured[captured.any(axis=1)]


def _codes(frames: Audio) -> NDArray[np.uint64]:
    return np.ascontiguousarray(frames).view(np.uint64).ravel()
