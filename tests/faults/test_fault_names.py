"""File names of every kind, and playlists that point where no audio is: never a crash, always a sentence."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile
from support.signals import both, pink_noise

RATE = 44_100
LIMIT_SECONDS = 60
NAMES = {
    "a space": b"two words.wav",
    "a line break": b"two\nlines.wav",
    "emoji": "\U0001f3b5 song.wav".encode(),
    "another encoding": b"caf\xe9.wav",
    "255 bytes": b"x" * 251 + b".wav",
    "255 bytes of emoji": "\U0001f3b5".encode() * 62 + b"abc.wav",
    "a leading dash": b"-loud.wav",
    "markup": b"[red]a[bold] {b} %s.wav",
}


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("master") / "a.wav"
    soundfile.write(path, both(0.1 * pink_noise(RATE, seed=3, sample_rate=RATE)), RATE, subtype="PCM_24")
    return path.read_bytes()


def program(folder: Path, *words: str | bytes, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The command as a user's terminal with strict UTF-8 runs it, in `folder`, with a cache of its own."""
    around = {**os.environ, "XDG_CACHE_HOME": os.fspath(folder / "cache"), **environment}
    around.setdefault("PYTHONIOENCODING", "utf-8:strict")
    return subprocess.run(
        [sys.executable, "-m", "simulator", *words],
        cwd=folder,
        env=around,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=LIMIT_SECONDS,
        check=False,
    )


def left_over(folder: Path) -> list[str]:
    """Passing names and folders in making that should not be there any more."""
    return [
        os.path.join(place, name)
        for place, folders, files in os.walk(folder)
        for name in [*folders, *files]
        if name.endswith(".part") or name.startswith(".making")
    ]


@pytest.mark.heavy
@pytest.mark.parametrize("name", NAMES.values(), ids=list(NAMES))
def test_a_file_of_any_name_is_measured_predicted_and_rendered(
    tmp_path: Path, master: bytes, name: bytes
) -> None:
    (tmp_path / os.fsdecode(name)).write_bytes(master)
    for command in (["measure"], ["measure", "--json"], ["predict", "--csv"], ["render", "--out", "out"]):
        done = program(tmp_path, *command, "--", name)
        assert (done.returncode, done.stderr) == (0, b""), (command, done.stderr)
        if "--json" in command:
            found = json.loads(done.stdout.decode("utf-8"))  # strict: what is printed is UTF-8
            assert os.fsencode(found[0]["path"]) == os.fsencode(tmp_path / os.fsdecode(name))
    assert sorted(os.listdir(tmp_path / "out"))[0].startswith("01-")
    assert len(os.listdir(tmp_path / "out")) == 4
    assert (tmp_path / os.fsdecode(name)).read_bytes() == master
    assert left_over(tmp_path) == []


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("/dev/zero", "not a regular file"),
        ("/dev/stdin", ""),
        ("pipe.wav", "not a regular file"),
        ("socket.wav", "not a regular file"),
        ("folder.wav", "this is a folder"),
        ("loop.wav", "symbolic links"),
        ("../outside.wav", "file not found"),
        ("odd.m3u", "cannot read this as audio"),
        ("file:///etc/passwd", "cannot read this as audio"),
    ],
)
def test_a_playlist_that_points_at_no_audio_says_so_and_waits_for_nothing(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    entry: str,
    words: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from simulator.cli import app

    monkeypatch.chdir(tmp_path)  # the address of a socket may have 107 bytes only
    os.mkfifo("pipe.wav")
    (tmp_path / "folder.wav").mkdir()
    (tmp_path / "loop.wav").symlink_to("loop.wav")
    (tmp_path / "odd.m3u").write_text(f"#EXTM3U\n{entry}\n", encoding="utf-8")
    with socket.socket(socket.AF_UNIX) as ear:
        ear.bind("socket.wav")
        code = app.run(["measure", "--no-cache", "odd.m3u"])
    said = capsys.readouterr()
    assert code == 4
    assert words in said.err
    assert entry.split("/")[-1] in said.err or entry == "/dev/stdin"
    assert said.err.rstrip().endswith("See the messages above.")


def test_a_track_outside_the_playlist_s_folder_is_read_and_not_touched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], master: bytes
) -> None:
    from simulator.cli import app

    (tmp_path / "lists").mkdir()
    (tmp_path / "outside.wav").write_bytes(master)
    (tmp_path / "lists" / "a.m3u").write_text("../outside.wav\n", encoding="utf-8")
    assert app.run(["measure", "--no-cache", os.fspath(tmp_path / "lists" / "a.m3u")]) == 0
    assert "outside measures" in capsys.readouterr().out
    assert os.listdir(tmp_path / "lists") == ["a.m3u"]


@pytest.mark.heavy
@pytest.mark.parametrize("home", [None, "/nonexistent/home", "/dev/null"])
def test_without_a_usable_home_files_are_measured_all_the_same(
    tmp_path: Path, master: bytes, home: str | None
) -> None:
    (tmp_path / "a.wav").write_bytes(master)
    if home == "/nonexistent/home" and os.geteuid() == 0:
        home = "/proc/nonexistent"  # root could make the other
    around = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")}
    around.pop("HOME", None)
    around |= {} if home is None else {"HOME": home}
    done = subprocess.run(
        [sys.executable, "-m", "simulator", "measure", "a.wav"],
        cwd=tmp_path, env=around, stdin=subprocess.DEVNULL, capture_output=True,
        timeout=LIMIT_SECONDS, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert b"LUFS" in done.stdout
    assert b"Traceback" not in done.stderr
    assert home is None or b"No cache" in done.stderr  # without HOME the system knows the folder
