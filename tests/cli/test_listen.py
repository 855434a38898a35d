"""`fairhearing listen` as it is used: scripts into a file and by the silent clock, and a real terminal with a
real sound server (heavy)."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile
from numpy.typing import NDArray
from support.sound_server import SoundServer, has_sound_server, sound_server
from support.terminal import Terminal, has_tmux, terminal

from simulator.cli.app import run
from simulator.cli.commands import listen as listen_command
from simulator.deck import live as opening
from simulator.deck.interface import OutputChoice
from simulator.storage import session_file

RATE = 44100
PLAYLIST = """format = 1
title = "Which one?"
profile = "minus14-headroom"
[[tracks]]
path = "open.wav"
title = "Song (open master)"
song = "song"
role = "master"
[[tracks]]
path = "loud.wav"
title = "Song (loud master)"
song = "song"
role = "master"
[[tracks]]
path = "harbour.flac"
title = "Harbour"
role = "reference"
"""


def music(seed: int, level: float, seconds: float) -> NDArray[np.float64]:
    """Noise with a slow swell: loudness and passages to tell apart."""
    frames = int(seconds * RATE)
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * np.arange(frames) / RATE / seconds)
    return np.random.default_rng(seed).standard_normal((frames, 2)) * level * swell[:, np.newaxis]


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A playlist of two versions and a reference, and the user's folders beside it."""
    folder = tmp_path_factory.mktemp("listen")
    song = music(1, 0.05, 8.0)
    soundfile.write(folder / "open.wav", song, RATE, subtype="FLOAT")
    soundfile.write(folder / "loud.wav", np.clip(song * 8.0, -0.9, 0.9), RATE, subtype="FLOAT")
    soundfile.write(folder / "harbour.flac", music(2, 0.02, 5.0), RATE)
    (folder / "list.toml").write_text(PLAYLIST, encoding="utf-8")
    return folder


def environment(home: Path) -> dict[str, str]:
    folders = {name: os.fspath(home / name) for name in ("cache", "config", "data")}
    return {f"XDG_{name.upper()}_HOME": path for name, path in folders.items()} | {"LANG": "C.UTF-8"}


Session = Callable[..., tuple[int, str, str]]


@pytest.fixture
def listen(home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Session:
    """Runs a script at the desk: exit code, standard output, standard error. What is not written to a file
    goes by the silent clock, on machines with a sound card too."""
    for name, value in environment(home).items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(home)
    live = opening.LiveDeck

    def silently(choice: OutputChoice, **_: object) -> opening.LiveDeck:
        return live(choice, silent=True)

    monkeypatch.setattr(opening, "LiveDeck", silently)

    def session(script: str | io.StringIO, *arguments: str) -> tuple[int, str, str]:
        lines = io.StringIO(script) if isinstance(script, str) else script
        monkeypatch.setattr(sys, "stdin", lines)
        code = run(["listen", *arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return session


def test_a_script_plays_into_a_file_what_the_player_plays(
    listen: Session, home: Path, tmp_path: Path
) -> None:
    """Track 2 is turned down by the player, and everything by the trim; the record holds every act."""
    target = tmp_path / "out.wav"
    script = "# a remark\nplay 2\nwait 2\ntrim -20\nwait 1\nlist\nquit\nplay 1\n"
    code, out, err = listen(script, "list.toml", "--to-file", str(target))
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert [line for line in lines if line.startswith("> ")] == [
        "> play 2",
        "> wait 2",
        "> trim -20",
        "> wait 1",
        "> list",
        "> quit",
    ]
    assert all(len(line) <= 80 for line in lines)
    assert "to a 44.1 kHz file" in out
    played, rate = soundfile.read(target, dtype="float32")
    source, _ = soundfile.read(home / "loud.wav", dtype="float32")
    assert rate == RATE
    assert played.shape[0] == pytest.approx(3.0 * RATE, abs=0.2 * RATE)
    begin, middle = int(0.1 * RATE), int(1.5 * RATE)
    gains = played[begin:middle] / np.where(source[begin:middle] == 0.0, 1.0, source[begin:middle])
    gain_db = 20.0 * np.log10(np.median(gains))
    assert np.ptp(gains[np.abs(source[begin:middle]) > 0.1]) < 1e-5  # a plain gain, at the same place
    said = next(line for line in lines if "· as played ·" in line)
    player_db = float(said.split(" · ")[2].split()[0].replace("−", "-"))
    assert gain_db == pytest.approx(player_db - 12.0, abs=0.06)  # said to a tenth
    late = slice(int(2.5 * RATE), int(2.8 * RATE))
    assert 20.0 * np.log10(np.median(played[late] / source[late])) == pytest.approx(gain_db - 8.0, abs=0.01)
    record = json.loads((home / "list.session.json").read_text(encoding="utf-8"))
    assert record["format"] == 1
    assert [act["kind"] for act in record["acts"]] == ["material", "player", "opened", "play", "trim"]
    assert not list(home.glob(".*.lock"))


def test_files_folders_and_lines_in_another_encoding_cost_nothing(
    listen: Session, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As old archives and scripts in Latin-1 hold them; every act stands in the record all the same."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    folder = tmp_path / "archiv\udce4"
    folder.mkdir()
    shutil.copyfile(home / "harbour.flac", folder / "caf\udce9.flac")
    script = "note one\nnote sch\udce4rf\nnote three\n"
    code, out, err = listen(script, str(folder), "--to-file", str(tmp_path / "out.wav"))
    assert (code, err) == (0, "")
    assert "Nothing was played, so" in out.splitlines()[-1]
    record = Path(out.splitlines()[-2].removeprefix("Session saved to "))
    acts = json.loads(record.read_text(encoding="utf-8"))["acts"]
    assert [act["data"]["text"] for act in acts if act["kind"] == "note"] == ["one", "sch\\xe4rf", "three"]
    assert acts[0]["data"]["tracks"][0]["path"].endswith("/archiv\\xe4/caf\\xe9.flac")


def test_by_the_silent_clock_everything_but_sound_works(listen: Session, home: Path) -> None:
    code, out, _ = listen(
        "play 3\nwait 0.3\nstate delivered\ntrim\nplai\nnote dull\n",
        "open.wav", "harbour.flac", "list.toml", "--screen",
    )  # fmt: skip
    assert code == 0
    assert re.search(r"Artist's screen: http://127\.0\.0\.1:\d+/\n", out)
    assert "No sound." in out
    assert "NIOSH" in out
    assert "Did you mean play?" in out
    assert "3 Song (open master)" in out
    assert re.search(r"Noted at 0:0\d\.", out)
    # the trim of the session before is remembered
    assert "Monitor trim: −20.0 dB." in out
    (record,) = (home / "data" / "fairhearing" / "sessions").glob("*.json")  # bare files have no playlist
    assert json.loads(record.read_text(encoding="utf-8"))["acts"][-1]["data"]["text"] == "dull"


@pytest.mark.heavy
def test_a_new_bounce_is_offered_and_heard(
    listen: Session, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written while the session plays by the silent clock, in real time; the session file has the chain."""
    for name in ("open.wav", "loud.wav"):
        shutil.copyfile(home / name, tmp_path / f"song-{name}")
    masters = PLAYLIST.split('[[tracks]]\npath = "harbour')[0]
    (tmp_path / "list.toml").write_text(masters.replace('path = "', 'path = "song-'), encoding="utf-8")
    new, rate = soundfile.read(tmp_path / "song-loud.wav")
    offers: list[str] = []
    offered = threading.Event()

    def said(text: str, say: Callable[[str], None] = listen_command._say) -> None:
        say(text)
        if "is here" in text:
            offers.append(" ".join(text.split()))
            offered.set()

    class Script(io.StringIO):
        def __iter__(self) -> Iterator[str]:
            yield "loop 2 5\n"
            time.sleep(1.5)  # the watch begins in a thread of its own
            soundfile.write(tmp_path / "song-loud-v2.wav", new * 0.5, rate, subtype="FLOAT")
            assert offered.wait(60.0)
            yield from ("n\n", "list\n")

    monkeypatch.setattr(listen_command, "_say", said)
    code, out, _ = listen(Script(), str(tmp_path / "list.toml"))
    assert code == 0
    assert offers == ["v2 of “Song (loud master)” is here: 6.0 LU quieter, same timing. n = hear it"]
    before, after = out.split("> n\n")
    assert "2 Song (loud master) · as played" not in before
    assert "2 Song (loud master) · as played" in after
    acts = json.loads((tmp_path / "list.session.json").read_text(encoding="utf-8"))["acts"]
    (act,) = [one for one in acts if one["kind"] == "revision"]
    assert Path(act["data"]["new"]["path"]).name == "song-loud-v2.wav"


def test_a_file_that_has_changed_since_the_decision_is_told_at_the_next_opening(
    listen: Session, home: Path, tmp_path: Path
) -> None:
    song, _ = soundfile.read(home / "open.wav", dtype="float32")
    soundfile.write(tmp_path / "song.wav", song, RATE, subtype="FLOAT")
    playlist = tmp_path / "one.toml"
    playlist.write_text('format = 1\n[[tracks]]\npath = "song.wav"\n', encoding="utf-8")
    code, out, _ = listen("decide radio -16 -1 Anna: as the others\n", str(playlist))
    assert code == 0
    assert "Decided for radio" in out
    assert "other samples" not in listen("", str(playlist))[1]
    soundfile.write(tmp_path / "song.wav", song * 0.5, RATE, subtype="FLOAT")
    _, out, _ = listen("", str(playlist))
    assert "“song” has changed since the last decision (" in " ".join(out.split())
    acts = json.loads((tmp_path / "one.session.json").read_text(encoding="utf-8"))["acts"]
    assert [act["kind"] for act in acts].count("player") == 1
    assert [act["kind"] for act in acts].count("material") == 2


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["list.toml", "--device", "x", "--to-file", "y.wav"], 2, "not both"),
        (["list.toml", "--screen", "--to-file", "y.wav"], 2, "not both"),
        (["list.toml", "--screen-address", "studio"], 2, "not an IP address"),
        (["list.toml", "--to-file", "open.wav"], 4, "not overwritten"),
        (["list.toml", "--profile", "minus15"], 2, "Unknown profile"),
        (["nowhere.wav"], 4, "No track could be read"),
        (["list.toml", "--to-file", "no/such/folder/out.wav"], 4, "cannot be written"),
    ],
)
def test_what_cannot_begin_says_why(
    arguments: list[str], code: int, words: str, listen: Session, home: Path
) -> None:
    found, out, err = listen("", *arguments)
    assert found == code
    assert words in err
    assert out == ""
    assert soundfile.info(home / "open.wav").frames == 8 * RATE


@pytest.mark.parametrize("target", ["list.toml", "list.session.json", "mine.toml", "open.wav"])
def test_no_file_that_the_session_reads_or_keeps_is_played_over(
    target: str, listen: Session, home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The playlist, its record (also one that is not begun yet), a profile of one's own, a track: --force or
    not."""
    for name in ("open.wav", "loud.wav", "harbour.flac", "list.toml"):
        (tmp_path / name).write_bytes((home / name).read_bytes())
    monkeypatch.chdir(tmp_path)
    assert run(["profiles", "new", "mine.toml"]) == 0
    before = {one.name: one.read_bytes() for one in tmp_path.iterdir()}
    code, _, err = listen("", "list.toml", "--profile", "./mine.toml", "--to-file", target, "--force")
    assert code == 4
    assert f"{target} is one of the source files" in err
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == before


def test_a_track_that_cannot_be_read_costs_itself_and_an_exit_code_of_1(
    listen: Session, tmp_path: Path
) -> None:
    target = tmp_path / "out.wav"
    code, out, err = listen("play 2\nplay 1\nwait 0.2\n", "open.wav", "gone.wav", "--to-file", str(target))
    assert code == 1
    assert "gone.wav" in err
    assert "Track 2 cannot be played" in out
    assert soundfile.info(target).frames > 0


# ---- a real terminal, a real sound server


@contextmanager
def sitting(
    home: Path, folder: Path, columns: int = 80, rows: int = 24
) -> Iterator[tuple[Terminal, SoundServer]]:
    """The desk open on a terminal, sounding through a server."""
    command = [sys.executable, "-m", "simulator", "listen", os.fspath(home / "list.toml")]
    with sound_server(folder / "sound") as server:
        variables = {**environment(home), **server.environment}
        with terminal(folder, command, columns, rows, variables) as window:
            window.wait_for("■ 1 Song")
            yield window, server


needs_both = pytest.mark.skipif(
    not (has_tmux() and has_sound_server()), reason="needs tmux and PulseAudio (Debian: tmux, pulseaudio)"
)
NATIVE = ("ALSA", "PortAudio", "snd_", "Expression", "Traceback")


def program(window: Terminal) -> psutil.Process:
    """The process that the window's shell has started."""
    (found,) = psutil.Process(window.process()).children()
    return found


def gone(processes: list[psutil.Process], seconds: float = 5.0) -> bool:
    return not psutil.wait_procs(processes, seconds)[1]


@pytest.mark.heavy
@pytest.mark.external
@needs_both
@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (140, 40)])
def test_a_session_at_a_real_terminal(columns: int, rows: int, home: Path, tmp_path: Path) -> None:
    with sitting(home, tmp_path, columns, rows) as (window, _):
        screen = window.wait_for("■ 1 Song (open master)")
        assert "Playing through" in screen
        assert "NIOSH" in screen
        assert "▲" in screen
        assert "quieter than" in screen or "louder than" in screen or "same level" in screen
        started = program(window)
        everyone = [started, *started.children(recursive=True)]
        assert len(everyone) >= 2  # the stream is in a process of its own
        window.enter("loop 1 4")
        window.wait_for("▶ 1 Song (open master)  0:02")
        window.press("Tab")
        window.wait_for("▶ 2 Song (loud master)")
        window.type("sta")
        window.press("Tab")
        window.type("del")
        window.press("Tab", "Enter")
        if "(y/n)" in window.wait_for("state delivered"):
            window.enter("y")
        window.wait_for("as delivered 0.0 dB")
        window.press("Space")
        window.wait_for("‖ 2 Song (loud master)")
        window.enter("lst")
        window.wait_for("Did you mean list?")
        window.press("C-z")
        window.press("Right")
        for line in ("help", "list", "explain 2"):
            window.enter(line)
            time.sleep(0.3)
        assert all(len(line) <= columns for line in window.history().splitlines())
        window.press("Space")
        window.wait_for("▶ 2 Song (loud master)")
        window.resize(60, 20)
        window.wait_for("▶ 2 Song")
        window.resize(columns, rows)
        window.press("C-c")
        window.wait_for("■ 2 Song (loud master)")
        window.wait_for("Stopped.")
        window.press("C-d")
        window.wait_for("left with 0")
        window.wait_for("icanon echo")  # the terminal is as it was
        assert not any(word in window.history() for word in NATIVE)
        assert gone(everyone)


@pytest.mark.heavy
@pytest.mark.external
@needs_both
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_signal_leaves_the_terminal_clean_and_the_record_whole(
    name: str, home: Path, tmp_path: Path
) -> None:
    number = getattr(signal, name)
    with sitting(home, tmp_path) as (window, _):
        started = program(window)
        everyone = [started, *started.children(recursive=True)]
        window.enter("play 1")
        window.wait_for("▶ 1 Song")
        window.type("half a li")
        started.send_signal(number)
        window.wait_for(f"left with {128 + number}")
        window.wait_for("icanon echo")
        assert gone(everyone)
        assert not any(word in window.history() for word in NATIVE)
    acts = json.loads((home / "list.session.json").read_text(encoding="utf-8"))["acts"]
    assert acts[-1]["kind"] == "play"
    assert not list(home.glob(".*.lock"))


@pytest.mark.heavy
@pytest.mark.external
@needs_both
def test_a_sound_server_that_dies_in_mid_song_costs_no_session(home: Path, tmp_path: Path) -> None:
    with sitting(home, tmp_path) as (window, server):
        window.enter("loop 1 3")
        window.wait_for("▶ 1 Song")
        server.stop()
        window.wait_for("no sound: device lost")
        window.enter("note still here")
        window.wait_for("Noted at 0:0")
        server.start()
        window.enter("devices")
        window.wait_for("to choose one:")
        window.enter("devices pulse")
        window.wait_for("Playing through pulse.", 20.0)  # by itself it comes back on the system default
        window.wait_without("no sound: device lost")
        window.wait_for("▶ 1 Song")
        window.press("C-d")
        window.wait_for("left with 0")
        assert not any(word in window.history() for word in NATIVE)


@pytest.mark.parametrize("data_folder", [True, False])
def test_a_session_that_cannot_be_saved_says_so_keeps_all_of_it_and_ends_with_4(
    listen: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, data_folder: bool
) -> None:
    """As on a full disk: nothing can be written beside the list, nor, without it, in the data folder."""
    really = session_file.whole_file

    @contextmanager
    def refused(path: Path, force: bool, new_mode: int | None = None) -> Iterator[Path]:
        if path.name == "list.session.json" or not data_folder:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        with really(path, force, new_mode) as passing:
            yield passing

    monkeypatch.setattr(session_file, "whole_file", refused)
    monkeypatch.setattr(session_file, "user_data_folder", lambda: tmp_path)
    code, out, _ = listen(
        "note too dull\nnote too loud\nquit\n", "list.toml", "--to-file", str(tmp_path / "o.wav")
    )
    assert code == 4
    assert "No space left on device" in out
    assert out.partition("> note too loud")[2].lstrip().startswith("Still not saved.")
    assert "NOT saved" in out
    assert "Session saved" not in out
    copies = list((tmp_path / "sessions").glob("*"))
    assert len(copies) == data_folder
    shown = copies[0].read_text("utf-8") if copies else out[out.index('{"format"') : out.rindex("]}") + 2]
    notes = [act["data"]["text"] for act in json.loads(shown)["acts"] if act["kind"] == "note"]
    assert notes[-2:] == ["too dull", "too loud"]
