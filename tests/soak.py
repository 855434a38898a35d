"""Hours of listening by random commands, into a file: does anything grow, drift, drop out, or get lost?

    python -m tests.soak [--hours 2] [--seed 1]

A real desk on real files (three versions of a song, one of them through a limiter, a mono reference, one at
another rate), driven as a script drives it. Along the way: the place the session tells is the one that
passed, nothing dropped out, memory of all processes, open files and threads stay as after the warm-up, every
note is in the record, and the record reopens. Prints what was found; exit code 1 where something was not as
it must be.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
import psutil
import soundfile
from support.signals import pink_noise
from support.two_versions import TWO_VERSIONS

from simulator.cli.commands import listen
from simulator.cli.options import CacheOptions
from simulator.cli.steps.prepare import prepare
from simulator.deck.to_file import FileDeck
from simulator.desk.background import Aligner
from simulator.desk.controller import Desk, Outside
from simulator.engine.playlists import read_playlist
from simulator.engine.workers import one_blas_thread
from simulator.session.log import from_json
from simulator.session.session import opened
from simulator.storage.session_file import RecordFile

RATE = 16_000
WARM = 0.25
"""The part of the time in which caches fill, lanes are made and players worked out."""
GROWTH_MB = 5.0
GROWTH_FILES = 3
FADE_S = 0.005
"""What sounded before a jump fades out over this, so that the new place begins that much later."""
PLAYLIST = f"""format = 1
title = "Soak"
profile = "minus14-headroom"
{TWO_VERSIONS}[[tracks]]
path = "third.wav"
title = "Song (third)"
song = "song"
[[tracks]]
path = "mono.flac"
title = "Mono"
role = "reference"
[[tracks]]
path = "other.wav"
title = "Other rate"
role = "reference"
"""
LINES = re.split(
    r";\s+",
    """\
play; play 2; play 4; play 5; next; previous; go 10; go +5; go loudest; go quietest; swap; swap 3;
swap; state matched; state played; state delivered; profile minus14-limited; profile
minus14-headroom; profile untouched; loop 5 9; loop off; montage loudest 4; transitions 3; trim -20;
trim -12; trim -6; dim; dim; mute; mute; hear mono; hear stereo; pause; pause; stop; converter on;
converter off; codec vorbis 96; codec off; codec residual 10; list; explain; marks; help;
nonsense; mark here we go; replace 2 loud2.wav; replace 2 loud.wav; decide radio -16 -1; trial
preference 2 1 2; trial which 3 1 3; a; b; x; answer A; trial stop; y; n""",
)
"""What is done, in no order; a line that makes no sense at its moment is refused with a sentence."""


@dataclass
class Found:
    """What a soak came to."""

    played_s: float = 0.0
    commands: int = 0
    notes: int = 0
    memory_mb: list[float] = field(default_factory=list)
    """Of all processes, from the warm-up on."""
    files: list[int] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def fault(self, text: str) -> None:
        if len(self.faults) < 20:
            self.faults.append(f"at {self.played_s:.0f} s, command {self.commands}: {text}")


def write_music(folder: Path) -> None:
    """Forty seconds of each; the loud version in two revisions."""
    noise = pink_noise(40 * RATE, 3, RATE)
    swell = 0.3 + 0.25 * np.sin(2 * np.pi * np.arange(noise.shape[0]) / (7.3 * RATE))
    song = np.stack([noise, np.roll(noise, 29)], axis=1) / np.abs(noise).max() * swell[:, np.newaxis]
    soundfile.write(folder / "open.wav", song, RATE, subtype="PCM_24")
    soundfile.write(folder / "loud.wav", np.clip(song * 4.0, -0.95, 0.95), RATE, subtype="PCM_24")
    soundfile.write(folder / "loud2.wav", np.clip(song * 3.5, -0.9, 0.9), RATE, subtype="PCM_16")
    soundfile.write(folder / "third.wav", 0.5 * song, RATE, subtype="PCM_16")
    soundfile.write(folder / "mono.flac", 0.4 * song[:, 0], RATE)
    soundfile.write(folder / "other.wav", 0.3 * song, 22_050, subtype="PCM_16")
    (folder / "list.toml").write_text(PLAYLIST, encoding="utf-8")


def memory_mb() -> float:
    """Private memory of this process and its children."""
    processes = [psutil.Process(), *psutil.Process().children(recursive=True)]
    found = 0.0
    for one in processes:
        try:
            found += one.memory_full_info().uss / 1e6
        except psutil.Error:
            continue
    return found


def grown(values: Sequence[float]) -> float:
    """By how much the later half lies above the earlier one, median by median: both move up and down with the
    lanes that are open at the moment."""
    middle = len(values) // 2
    return statistics.median(values[middle:]) - statistics.median(values[:middle]) if middle else 0.0


def soak(folder: Path, hours: float, seed: int, say: bool = True) -> Found:
    """Everything; the folder gets the music, the record and the sound."""
    for name in ("CACHE", "CONFIG", "DATA"):
        os.environ[f"XDG_{name}_HOME"] = str(folder / name.lower())
    write_music(folder)
    os.chdir(folder)
    found, chance = Found(), random.Random(seed)
    ready = prepare(read_playlist("list.toml"), ("minus14-headroom",), CacheOptions(asked_workers=0))
    player = FileDeck(folder / "out.wav", RATE)
    warnings: list[str] = []
    record = RecordFile(folder / "list.session.json", warnings.append, "Soak")
    outside = Outside(lambda _: None, folder / "config")
    aligner = Aligner(folder / "cache", rehash=False)
    session, studio = listen._session(ready, ready.cache, outside, False, aligner)
    desk = Desk(session, player, record, studio, outside, scripted=True)
    try:
        desk.open(*opened(replace(session), None, outside.at()))
        _go(desk, found, chance, hours * 3600.0, say)
    finally:
        desk.close()
        aligner.close()
        studio.close()
        record.close()
        player.close()
    written = soundfile.info(folder / "out.wav").frames / RATE
    if abs(written - found.played_s) > 1.0:
        found.fault(f"{written:.1f} s were written, {found.played_s:.1f} s passed")
    acts = from_json((folder / "list.session.json").read_bytes()).acts
    kept = sum(act.kind == "note" for act in acts)
    if kept != found.notes:
        found.fault(f"{found.notes} notes were given, {kept} are in the record")
    found.faults += warnings
    return found


def _go(desk: Desk, found: Found, chance: random.Random, seconds: float, say: bool) -> None:
    begun, last = time.monotonic(), 0.0
    while found.played_s < seconds:
        line = chance.choice(LINES)
        if chance.random() < 0.1:
            line = f"note {found.notes} said"
        before_notes = len(desk.session.notes)
        desk.enter(line)
        found.notes += len(desk.session.notes) - before_notes
        found.commands += 1
        if desk.asks:
            desk.enter(chance.choice(("y", "n")))
        if desk.left:
            found.fault("the desk was left by itself")
            return
        _listen(desk, found, chance.choice((0.3, 1.0, 2.5, 5.0, 12.0)))
        if found.played_s - last >= seconds / 40.0:
            last = found.played_s
            now = memory_mb()
            if found.played_s > WARM * seconds:
                found.memory_mb.append(now)
                found.files.append(psutil.Process().num_fds())
            if say:
                pace = found.played_s / (time.monotonic() - begun)
                print(
                    f"{found.played_s:7.0f} s, {found.commands} commands, {now:.1f} MB, {pace:.0f} x",
                    flush=True,
                )
    if grown(found.memory_mb) > GROWTH_MB:
        found.fault(f"memory grew by {grown(found.memory_mb):.1f} MB")
    if grown(found.files) > GROWTH_FILES:
        found.fault(f"{grown(found.files):.0f} more files are open")


def _listen(desk: Desk, found: Found, seconds: float) -> None:
    """Lets time pass, and looks whether the place moved by just that where nothing turns or ends."""
    desk.tick()
    was = desk.session
    dropouts = was.dropouts
    desk.enter(f"wait {seconds}")
    found.played_s += seconds
    now = desk.session
    if now.dropouts != dropouts:
        found.fault(f"{now.dropouts - dropouts} dropouts")
    steady = (
        was.motion == now.motion == "playing"
        and was.trial is None
        and now.trial is None
        and was.plan is not None
        and was.plan.kind == "list"
        and now.plan == was.plan
        and now.segment == was.segment
    )
    if steady and abs(now.place_s - was.place_s - seconds) > FADE_S + 0.001:
        found.fault(f"{seconds} s passed, and the place went from {was.place_s:.4f} to {now.place_s:.4f}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    one_blas_thread()
    home = Path.cwd()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        found = soak(Path(folder), asked.hours, asked.seed)
        os.chdir(home)
    took = time.monotonic() - begun
    print(
        f"{found.played_s / 3600:.2f} h in {took:.0f} s ({found.played_s / took:.0f} x), "
        f"{found.commands} commands, {found.notes} notes; memory {min(found.memory_mb, default=0):.1f} to "
        f"{max(found.memory_mb, default=0):.1f} MB after the warm-up, "
        f"grown by {grown(found.memory_mb):.1f} MB"
    )
    for fault in found.faults:
        print(fault)
    return 1 if found.faults else 0


if __name__ == "__main__":
    sys.exit(main())
