"""`fairhearing doctor`: each part with a fault of its own, and the tone through a private sound server."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import namedtuple
from pathlib import Path
from typing import Any

import pytest
import soundfile
from support.sound_server import has_sound_server, sound_server

from simulator.cli import doctor
from simulator.deck import live
from simulator.deck.interface import DeviceView
from simulator.deck.stream import NO_DEVICE, NoSound
from simulator.normalizer.codec_records import CODECS

ROOT = Path(__file__).resolve().parent.parent.parent
FINE = [DeviceView("made-up device", 2, 48_000, default=True)]
ENCODERS = doctor._codecs


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders of this user's own, and one output; encoders take their time and have tests of their own."""
    for name in ("CACHE", "CONFIG", "DATA"):
        monkeypatch.setenv(f"XDG_{name}_HOME", os.fspath(tmp_path / name.lower()))
    for name in [one for one in os.environ if one.startswith("FAIRHEARING_") and "PROCESS" not in one]:
        monkeypatch.delenv(name)
    monkeypatch.setattr(live, "list_devices", lambda *_: FINE)
    monkeypatch.setattr(doctor, "_server_hz", lambda: None)
    monkeypatch.setattr(doctor, "_codecs", lambda: ())
    return tmp_path


def parts(answer: Any, code: int = 0) -> dict[str, dict[str, Any]]:
    found, out, _ = answer("doctor --json")
    assert found == code
    read = json.loads(out)
    assert read["usable"] is (code == 0)
    assert all((one["cure"] is None) is (one["health"] == "ok") for one in read["parts"])
    return {one["part"]: one for one in read["parts"]}


def test_where_all_is_well_each_part_has_one_ok(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "_codecs", ENCODERS)
    code, out, err = answer("doctor")
    assert (code, err) == (0, "")
    assert out.startswith("Everything is ready.\n")
    assert "made-up device at 48 kHz, 2 channels" in out
    named = re.findall(r"^ok +(\S+)", out, re.MULTILINE)
    assert named == ["libraries", "output", *CODECS, "terminal", "cache", "disk", "settings"]


def test_the_libraries_are_those_of_the_package() -> None:
    needed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    assert sorted(doctor.LIBRARIES) == sorted(re.split(r"[>=<]", one)[0] for one in needed)


def test_a_library_that_is_not_installed(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "LIBRARIES", (*doctor.LIBRARIES, "no-such-library"))
    found = parts(answer, 1)["libraries"]
    assert (found["health"], found["finding"]) == ("fix", "Not installed: no-such-library.")
    assert found["cure"].endswith("-m pip install no-such-library")


def test_no_device(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object) -> list[DeviceView]:
        raise NoSound(NO_DEVICE)

    monkeypatch.setattr(live, "list_devices", none)
    found = parts(answer)["output"]
    assert found["health"] == "look"
    assert found["finding"] == "No output device found. Sessions run without sound."
    assert found["cure"] == "Connect one, or start the sound server."


def test_a_device_of_the_settings_that_is_not_there(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAIRHEARING_LISTEN_DEVICE", "studio")
    found = parts(answer)["output"]
    assert found["finding"] == "No output device 'studio'."
    assert "made-up device" in found["cure"]


def test_a_sound_server_that_resamples(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "list_devices", lambda *_: [DeviceView("pulse", 32, 44_100, default=True)])
    monkeypatch.setattr(doctor, "_server_hz", lambda: 48_000)
    found = parts(answer)["output"]
    assert "The sound server runs at 48 kHz and resamples." in found["finding"]


def test_an_encoder_that_fails(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """libsndfile without the MP3 encoder, as some builds are."""
    monkeypatch.setattr(doctor, "_codecs", ENCODERS)
    whole = soundfile.SoundFile

    def without(*arguments: Any, **how: Any) -> Any:
        if "MP3" in map(str, arguments):
            problem = soundfile.LibsndfileError(1)
            raise problem
        return whole(*arguments, **how)

    monkeypatch.setattr(soundfile, "SoundFile", without)
    found = parts(answer)
    assert found["mp3"]["health"] == "look"
    assert "MP3 encoder refused" in found["mp3"]["finding"]
    assert found["vorbis"]["health"] == "ok"


def test_without_the_aac_library(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor, "_codecs", ENCODERS)
    monkeypatch.setitem(sys.modules, "av", None)
    assert 'pip install "fairhearing[aac]"' in parts(answer)["aac"]["cure"]


def test_a_cache_folder_that_cannot_be_written(answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a medium that is read-only; rights alone do not hold root back."""

    def refused(**_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    found = parts(answer)["cache"]
    assert found["health"] == "look"
    assert "cannot be written: Read-only file system" in found["finding"]


@pytest.mark.parametrize(("free", "health", "code"), [(10**8, "fix", 1), (10**9, "look", 0)])
def test_a_full_disk(free: int, health: str, code: int, answer: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**12, 10**12 - free, free))
    found = parts(answer, code)["disk"]
    assert found["health"] == health
    assert found["cure"].startswith("Free some space: fairhearing cache --")


def test_settings_that_cannot_be_read(answer: Any, home: Path) -> None:
    """Every other command refuses; this one says what is wrong with them."""
    folder = home / "config" / "fairhearing"
    folder.mkdir(parents=True)
    (folder / "settings.toml").write_text("profil = 1\n", encoding="utf-8")
    found = parts(answer, 1)["settings"]
    assert "unknown key profil" in found["finding"]
    assert found["cure"] == "Did you mean profile?"


@pytest.mark.parametrize(
    ("size", "encoding", "words"),
    [((60, 24), "utf-8", "too small for the stage"), ((100, 30), "ascii", "ascii"), ((100, 30), "utf-8", "")],
)
def test_a_terminal(
    size: tuple[int, int], encoding: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Screen:
        def __init__(self) -> None:
            self.encoding = encoding

        def isatty(self) -> bool:
            return True

        def write(self, text: str) -> int:
            return len(text)

        def flush(self) -> None:
            """Nothing is held back."""

    monkeypatch.setattr(sys, "stdout", Screen())
    monkeypatch.setattr(shutil, "get_terminal_size", lambda: os.terminal_size(size))
    found = doctor._terminal()
    assert found.health == ("look" if words else "ok")
    assert words in found.finding


@pytest.mark.heavy
@pytest.mark.external
@pytest.mark.skipif(not has_sound_server(), reason="needs PulseAudio's programs")
def test_the_tone_comes_back_at_its_level_and_all_ends_in_time(tmp_path: Path) -> None:
    """Through PortAudio and a real server; its sink turned down by 6 dB is noticed."""
    with sound_server(tmp_path / "server") as server:
        environment = {**os.environ, **server.environment, "FAIRHEARING_LISTEN_DEVICE": "pulse"}

        limit = 5.0 * max(os.getloadavg()[0] / (os.cpu_count() or 1), 1.0)  # on a busy machine longer

        def run(*options: str) -> tuple[dict[str, dict[str, str]], float]:
            begun = time.monotonic()
            done = subprocess.run(
                [sys.executable, "-m", "simulator", "doctor", "--json", *options],
                env=environment, capture_output=True, text=True, check=True, timeout=60, cwd=ROOT,
            )  # fmt: skip
            assert ("Turn your monitors down" in done.stderr) is ("--tone" in options)
            found = {one["part"]: one for one in json.loads(done.stdout)["parts"]}
            return found, time.monotonic() - begun

        plain, seconds = run()
        assert "tone" not in plain
        assert plain["output"]["health"] == "ok"
        assert seconds < limit
        found, seconds = run("--tone")
        trip = re.search(r"round trip (\d+) ms, arrives at −40\.0 dBFS", found["tone"]["finding"])
        assert trip is not None, found["tone"]
        assert 20 < int(trip[1]) < 500  # 90 ms without load, and the latency of the recording
        assert seconds < limit
        subprocess.run(["pactl", "set-sink-volume", "cap", "-6dB"], env=environment, check=True)
        turned, _ = run("--tone")
        assert "arrives at −46.0 dBFS" in turned["tone"]["finding"]
        assert turned["tone"]["health"] == "look"
