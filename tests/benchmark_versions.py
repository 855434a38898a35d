"""The benchmark's second part: two versions compared, rungs of a ladder, a codec and back, the desk's start.

Called by `benchmark.py`, in the same run. Goals in seconds are for a calm machine of two cores.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import soundfile
from benchmark import RATE, Line, best, command

from simulator.audibility.noise_to_mask import AudibilityMeter
from simulator.audio_files.reader import AudioReader
from simulator.codecs.deliver import Delivering
from simulator.dsp.ceiling import LimiterSettings
from simulator.dsp.limiter import limit_array
from simulator.dsp.mastering_limiter import ActionReport, MasteringSettings, master_blocks, soft_clipped
from simulator.dsp.segments import SEGMENT_FRAMES
from simulator.normalizer.profile import Delivery


def lines(folder: Path, four: Path, rounds: int) -> list[Line]:
    """All figures of this part. `four` is a dense master of four minutes."""
    loud, open_ = write_versions(folder)
    comparing, warm, hearing = comparison_seconds(loud, open_, rounds)
    mix = ("--no-cache", str(open_), "--profile", "minus14-headroom")
    levels = ",".join(str(level) for level in range(-18, -6))
    five, twelve, measuring = (
        best(1, lambda words=words: command(*words))[0]
        for words in (("ladder", *mix), ("ladder", *mix, "--loudness", levels), ("measure", *mix[:2]))
    )
    start = min(first_prompt(folder / "desk", open_) for _ in range(max(rounds, 2)))
    return [
        Line("compare two 4-minute masters, all of it", comparing, "s", 8.0, True),
        Line("where 4 minutes are likely to be heard to differ", hearing, "s", 4.0, True),
        Line("compare the same pair, from the cache", warm, "s", 1.5, True),
        Line("ladder: five rungs of 4 minutes", five, "s", 6.0, True),
        Line("ladder: twelve rungs of 4 minutes", twelve, "s", 12.0, True),
        Line("five rungs, in times of one measure command", five / measuring, "x", 5.0, True),
        Line("mastering limiter, 6 dB of drive", mastering_speed(open_, rounds), "x", 150.0, False),
        codec_line(four, rounds),
        Line("listen: first prompt with 20 cached tracks", start, "s", 1.5, True),
    ]


def write_versions(folder: Path, seconds: float = 240.0) -> tuple[Path, Path]:
    """A loud and an open master of one song, no minute like another (a song that repeats is ambiguous): pink
    noise in swells, and the same through the project's soft clip and limiter, 777 frames shorter."""
    from support import signals

    frames = round(seconds * RATE)
    open_ = np.stack([signals.pink_noise(frames, 91 + side, RATE) for side in (0, 1)], axis=1)
    swell = 0.06 * (1.2 + np.sin(2.0 * np.pi * np.arange(frames) / (RATE * 17.3)))
    open_ = (open_ * swell[:, np.newaxis]).astype(np.float32)
    loud = soft_clipped(open_[777:] * np.float32(3.0), 1.4)
    loud, _ = limit_array(loud, RATE, LimiterSettings(-0.2, "sample", 1.5, 60.0))
    paths = folder / "version-loud.wav", folder / "version-open.wav"
    for path, samples in zip(paths, (loud, open_), strict=True):
        soundfile.write(path, samples, RATE, subtype="PCM_24")
    return paths


def comparison_seconds(loud: Path, open_: Path, rounds: int) -> tuple[float, float, float]:
    """The whole command cold, and from the cache; and the ear model's share of the cold one."""
    time.sleep(2.5)  # files that young are not taken from the cache
    pair = ("compare", str(loud), str(open_))
    command(*pair)
    both = [soundfile.read(path, dtype="float32", always_2d=True)[0] for path in (open_, loud)]
    frames = min(samples.shape[0] for samples in both)

    def hear() -> None:
        with ThreadPoolExecutor(2) as pool:
            meter = AudibilityMeter(RATE, 2, each=pool.map)
            for at in range(0, frames, SEGMENT_FRAMES):
                meter.push(*(samples[:frames][at : at + SEGMENT_FRAMES] for samples in both))
            meter.finish()

    cold, warm, hearing = best(rounds, lambda: command(*pair, "--no-cache"), lambda: command(*pair), hear)
    return cold, warm, hearing


def mastering_speed(path: Path, rounds: int) -> float:
    """Times real time of a minute through the mastering limiter, true peaks, driven by 6 dB."""
    samples, _ = soundfile.read(path, dtype="float32", frames=60 * RATE)
    drive_db = 6.0 - 20.0 * float(np.log10(np.abs(samples).max())) - 1.0

    def through() -> None:
        settings = MasteringSettings(-1.0)
        for _ in master_blocks([samples], 2, RATE, drive_db, settings, ActionReport()):
            pass

    return 60.0 / best(rounds, through)[0]


def codec_line(four: Path, rounds: int) -> Line:
    """A 4-minute master through Vorbis and back, against libsndfile's encode and decode alone."""
    delivery = Delivery(codec="vorbis", bit_rate_kbps=160.0)

    def ours() -> None:
        with AudioReader(str(four)) as reader:
            for _ in Delivering(reader.info.sample_rate, reader.info.channels, delivery)(reader):
                pass

    samples, rate = soundfile.read(four, dtype="float32")

    def bare() -> None:
        with tempfile.TemporaryDirectory() as folder:
            path = f"{folder}/x.ogg"
            with soundfile.SoundFile(
                path, "w", rate, samples.shape[1], "VORBIS", None, "OGG", compression_level=0.5
            ) as file:
                for at in range(0, samples.shape[0], 16_384):
                    file.write(samples[at : at + 16_384])
            with soundfile.SoundFile(path) as file:
                while file.read(65_536, dtype="float32").shape[0]:
                    pass

    whole, alone = best(rounds, ours, bare)
    return Line("a codec and back, against encode and decode alone", whole / alone, "x", 1.3, True)


def first_prompt(folder: Path, track: Path) -> float:
    """Seconds from the start of `listen` to its first prompt on a terminal, 20 tracks in the cache."""
    if not hasattr(os, "openpty"):
        return float("nan")
    songs = folder / "songs"
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"}
    for kind in ("CACHE", "CONFIG", "DATA"):
        environment[f"XDG_{kind}_HOME"] = str(folder / kind.lower())
    run = [sys.executable, "-m", "simulator"]
    root = Path(__file__).parent.parent
    if not songs.exists():
        songs.mkdir(parents=True)
        for number in range(20):
            os.link(track, songs / f"{number:02d}.wav")
        time.sleep(2.5)  # files that young are not taken from the cache
        measure = [*run, "predict", "--json", str(songs)]
        subprocess.run(measure, check=True, stdout=subprocess.DEVNULL, cwd=root, env=environment)
    ours, theirs = os.openpty()
    begin = time.perf_counter()
    desk = subprocess.Popen(
        [*run, "listen", str(songs)], stdin=theirs, stdout=theirs, stderr=theirs, cwd=root, env=environment,
        start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    seen, taken = b"", float("nan")
    try:
        while b"\x1b[6n" not in seen and select.select([ours], [], [], 30)[0]:
            seen += os.read(ours, 65_536)
        taken = time.perf_counter() - begin
        os.write(ours, b"\x1b[1;1R\x04")
        while select.select([ours], [], [], 5)[0] and os.read(ours, 65_536):
            pass
    except OSError:
        pass
    finally:
        desk.terminate()
        desk.wait(20)
        os.close(ours)
    return taken
