"""Ctrl-C, `kill` and a closed window at every stage of a listening session: what was given is on the disk,
and nothing else stays. As in test_fault_signals.py, `kill` tells one process and a terminal all of its group.

Stages that are waited for, never guessed: the script's own lines say how far the session is.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile
from support.external import require_external
from support.sittings import LIMIT_SECONDS, Sitting, folders, left_over, none_lives, sitting
from support.sound_server import DEVICE, SoundServer, has_sound_server, sound_server
from support.terminal import Terminal, has_tmux, terminal

from simulator.storage.process_life import name_mark

pytestmark = [pytest.mark.heavy, pytest.mark.external]
RATE = 44_100
SONG, LONG = "list", "long"
PLAYED = "played.wav"
LENGTHS = {SONG: 12, LONG: 60}
"""Seconds of the two playlists' masters: short, and so long that it is met while it is worked at."""
PLAYLIST = """format = 1
profile = "minus14-limited"
"""
TRACK = """[[tracks]]
path = "{name}-{version}.wav"
title = "{version}"
song = "song"
"""
VERSIONS = {SONG: ("open", "loud"), LONG: ("open",)}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    if not has_sound_server():
        require_external("no sound server is installed (Debian: pulseaudio, pulseaudio-utils)")
    with sound_server(tmp_path_factory.mktemp("sound") / "server") as running:
        yield running


@pytest.fixture(scope="module")
def all_sessions(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A song in two versions, and a long one, measured and laid over each other already."""
    folder = tmp_path_factory.mktemp("home")
    for name, seconds in LENGTHS.items():
        noise = np.random.default_rng(4).standard_normal((seconds * RATE, 2), np.float32) * 0.05
        playlist = PLAYLIST
        for version in VERSIONS[name]:
            wave = noise if version == "open" else np.clip(noise * 8.0, -0.25, 0.25)
            soundfile.write(folder / f"{name}-{version}.wav", wave, RATE, subtype="PCM_24")
            playlist += TRACK.format(name=name, version=version)
        (folder / f"{name}.toml").write_text(playlist, encoding="utf-8")
        subprocess.run(
            [sys.executable, "-m", "simulator", "listen", f"{name}.toml", "--to-file", f"{name}.out"],
            cwd=folder, env={**os.environ, **folders(folder)}, input=b"list\n", capture_output=True,
            timeout=LIMIT_SECONDS, check=True,
        )  # fmt: skip
    return folder


@pytest.fixture
def home(all_sessions: Path) -> Path:
    """The folder without what an earlier session has written."""
    for path in all_sessions.iterdir():
        if path.is_file() and (path.suffix not in (".wav", ".toml") or path.name == PLAYED):
            path.unlink()
    assert left_over(all_sessions) == []
    return all_sessions


@pytest.fixture
def sit(home: Path, server: SoundServer) -> Iterator[Callable[..., Sitting]]:
    """Opens a session that reads its lines from a pipe."""
    with contextlib.ExitStack() as open_ones:
        yield lambda name, *arguments: open_ones.enter_context(
            sitting(home, name, arguments, server.environment)
        )


# ---- the stages: each brings the session so far, and returns the notes that were given


def measuring(session: Sitting) -> list[str]:
    """The masters are read; the stream's process is starting at the same time."""

    def reads() -> bool:
        for one in [session.seen, *session.children()]:
            try:
                if any(file.path.endswith(".wav") for file in one.open_files()):
                    return True
            except psutil.Error:
                continue
        return False

    session.until(reads, "a master being read")
    return []


def making_lanes(session: Sitting) -> list[str]:
    session.enter("note lanes", "play 1")

    def makes() -> bool:
        for one in session.children():
            try:
                if any("/scratch/" in file.path and file.mode != "r" for file in one.open_files()):
                    return "Noted" in session.said()
            except psutil.Error:
                continue
        return False

    session.until(makes, "a lane being written")
    return ["lanes"]


def idle(session: Sitting) -> list[str]:
    session.enter("note idle")
    session.hear("Noted at")
    return ["idle"]


def playing(session: Sitting) -> list[str]:
    session.enter("note before", "play 1", "wait 0.2", "note while it plays", "wait 1000")
    session.hear("> wait 1000")
    return ["before", "while it plays"]


def in_a_trial(session: Sitting) -> list[str]:
    session.enter("loop 1 4", "trial preference 10", "y")
    session.hear("Round 1 of 10")
    session.enter("a", "wait 0.2", "note in the trial")
    session.hear("Noted in round 1")
    return ["in the trial"]


def into_a_file(session: Sitting) -> list[str]:
    session.enter("note into a file", "loop 1 4", "wait 1000")
    part = session.folder / f".{PLAYED}.{name_mark(session.process.pid)}.part"
    session.until(lambda: part.exists() and part.stat().st_size > 100_000, "a file that grows")
    return ["into a file"]


STAGES: dict[Callable[[Sitting], list[str]], tuple[str, ...]] = {
    measuring: (LONG, "--device", DEVICE, "--no-cache"),
    making_lanes: (LONG, "--device", DEVICE),
    idle: (SONG, "--device", DEVICE),
    playing: (SONG, "--device", DEVICE),
    in_a_trial: (SONG, "--device", DEVICE),
    into_a_file: (SONG, "--to-file", PLAYED),
}
MET = [(stage, name) for at, stage in enumerate(STAGES) for name in ("SIGINT", ("SIGTERM", "SIGHUP")[at % 2])]
"""Ctrl-C in every stage, and one of the other two, which share its way out."""


def tell(session: Sitting, name: str) -> int:
    """The signal as it comes in life; its exit code."""
    number = getattr(signal, name)
    if name == "SIGTERM":
        session.process.send_signal(number)
    else:
        os.killpg(session.process.pid, number)
    return 130 if name == "SIGINT" else 128 + int(number)


@pytest.mark.parametrize(("stage", "name"), MET, ids=lambda one: getattr(one, "__name__", one))
def test_a_signal_ends_the_session_and_keeps_what_was_given(
    sit: Callable[..., Sitting], stage: Callable[[Sitting], list[str]], name: str
) -> None:
    session = sit(*STAGES[stage])
    given = stage(session)
    session.children()
    code = tell(session, name)
    assert session.process.wait(LIMIT_SECONDS) == code, session.errors()
    assert none_lives(list(session.everyone.values()))
    assert left_over(session.folder) == []
    assert "Traceback" not in session.said() + session.errors()
    assert ("Interrupted" in session.errors()) == (name == "SIGINT"), session.errors()
    if stage is measuring:
        assert not session.record.exists()
        return
    assert f"{session.record.name}" in session.said().rpartition("saved to")[2]
    assert session.notes() == given
    if stage is in_a_trial:
        (trial,) = [act for act in session.acts() if act["kind"] == "trial"]
        assert session.acts()[-1] == trial
    if stage is into_a_file:
        played, rate = soundfile.read(session.folder / PLAYED, dtype="float32")
        assert rate == RATE
        assert played.shape[0] * 8 > 90_000
        assert not played[-1].any()  # it ends with its fade, not in the middle of a wave


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_while_a_note_is_written_loses_none(sit: Callable[..., Sitting], name: str) -> None:
    """The session is stopped at a moment at which the record's passing file is there, which is so again and
    again while notes are given; then it is told, and goes on."""
    session = sit(SONG, "--device", DEVICE)
    session.hear("Playing through")
    given = 0
    end = time.monotonic() + LIMIT_SECONDS
    while True:
        assert time.monotonic() < end, "the record was never met while it was written"
        session.enter(f"note {given}")
        given += 1
        while f"> note {given - 1}" not in session.said() and not session.part.exists():
            assert session.process.poll() is None
        while not session.part.exists() and session.said().count("Noted at") < given:
            pass
        session.process.send_signal(signal.SIGSTOP)
        session.until(lambda: session.seen.status() == psutil.STATUS_STOPPED, "its standing still")
        if session.part.exists():
            break
        session.process.send_signal(signal.SIGCONT)
    session.children()
    code = tell(session, name)
    session.process.send_signal(signal.SIGCONT)
    assert session.process.wait(LIMIT_SECONDS) == code, session.errors()
    assert none_lives(list(session.everyone.values()))
    assert left_over(session.folder) == []
    assert session.notes() == [str(number) for number in range(given)]
    assert "Traceback" not in session.said() + session.errors()


def test_a_second_and_third_ctrl_c_do_not_tear_the_clearing_away(sit: Callable[..., Sitting]) -> None:
    """Whoever is impatient presses it again and again, until the program is gone."""
    session = sit(SONG, "--device", DEVICE)
    given = playing(session)
    session.children()
    tell(session, "SIGINT")
    while session.process.poll() is None:
        os.killpg(session.process.pid, signal.SIGINT)
        time.sleep(0.02)
    assert session.process.returncode in (130, -signal.SIGINT)  # a shell says 130 of both
    assert none_lives(list(session.everyone.values()))
    assert left_over(session.folder) == []
    assert session.notes() == given


# ---- at a terminal


@pytest.fixture
def window(home: Path, server: SoundServer, tmp_path: Path) -> Iterator[Terminal]:
    """The desk on a terminal; its exit code comes into a file, since the window may be closed."""
    if not has_tmux():
        require_external("tmux is not installed (Debian: tmux)")
    script = 'cd "$1"; trap : HUP; shift; "$@" 2> err; echo $? > .code.new; mv .code.new code'
    command = ["bash", "-c", script, "-", os.fspath(home)]
    command += [sys.executable, "-m", "simulator", "listen", f"{SONG}.toml", "--device", DEVICE]
    environment = {**server.environment, **folders(home)}
    with terminal(tmp_path, command, 80, 24, environment) as opened:
        opened.wait_for("■ 1 open", LIMIT_SECONDS)
        yield opened


def left_with(folder: Path) -> int:
    end = time.monotonic() + LIMIT_SECONDS
    while not (folder / "code").exists():
        assert time.monotonic() < end, "it did not leave"
        time.sleep(0.02)
    return int((folder / "code").read_text(encoding="utf-8"))


def program(window: Terminal) -> list[psutil.Process]:
    """The session's process, and all that work for it."""
    (session,) = psutil.Process(window.process()).children()[0].children()
    return [session, *session.children(recursive=True)]


@pytest.mark.parametrize("where", ["playing", "in a trial"])
def test_a_window_that_is_closed_ends_the_session_whole(window: Terminal, home: Path, where: str) -> None:
    window.enter("note one")
    window.wait_for("Noted at 0:0")
    if where == "playing":
        window.enter("play 2")
        window.wait_for("▶ 2 loud")
    else:
        window.enter("loop 1 4")
        window.wait_for("▶ 1 open")
        window.enter("trial which 10")
        window.wait_for("y/n>")
        window.enter("y")
        window.wait_for("Round 1 of 10", LIMIT_SECONDS)
    everyone = program(window)
    window.close()
    assert left_with(home) == 128 + signal.SIGHUP, (home / "err").read_text(encoding="utf-8")
    assert none_lives(everyone)
    assert left_over(home) == []
    assert (home / "err").read_text(encoding="utf-8") == ""
    acts = json.loads((home / f"{SONG}.session.json").read_text(encoding="utf-8"))["acts"]
    assert [act["data"]["text"] for act in acts if act["kind"] == "note"] == ["one"]
    assert acts[-1]["kind"] == ("play" if where == "playing" else "trial")


def test_ctrl_c_while_a_line_is_worked_at_stops_what_plays_and_keeps_the_session(
    window: Terminal, home: Path, server: SoundServer
) -> None:
    """The list of devices waits for a sound server that hangs, and the terminal itself makes a signal of the
    key then."""
    window.enter("play 1")
    window.wait_for("▶ 1 open")
    session = program(window)[0]
    before = len(session.children())
    server.halt()
    try:
        window.enter("devices")
        end = time.monotonic() + LIMIT_SECONDS
        while len(session.children()) == before:
            assert time.monotonic() < end
            time.sleep(0.01)
        session.send_signal(signal.SIGINT)
    finally:
        server.go_on()
    window.wait_for("Stopped.", LIMIT_SECONDS)
    window.enter("note still here")
    window.wait_for("Noted at")
    window.press("C-d")
    assert left_with(home) == 0
    assert left_over(home) == []
